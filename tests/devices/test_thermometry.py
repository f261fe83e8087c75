"""Bits to degrees, against data sheets, NIST and IEC tables and a published CRC catalogue."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenwall.devices.sensor_decoding import (
    crc8_1wire,
    crc8_smbus,
    max31855_degC,
    max31865_degC,
    mlx90614_degC,
    pt100_degC,
    pt100_ohm,
    type_k_degC,
    type_k_mV,
    w1_degC,
)
from evenwall.errors import ProbeFault


def test_crcs() -> None:
    """Check values of '123456789': catalogue of parametrised CRC algorithms (Cook), CRC-8/MAXIM-DOW
    and CRC-8/SMBUS. The ROM code is the worked example of Maxim application note 27."""
    assert crc8_1wire(b"123456789") == 0xA1
    assert crc8_smbus(b"123456789") == 0xF4
    assert crc8_1wire(bytes.fromhex("021cb801000000")) == 0xA2


def scratchpad(raw: int, *, spoil: int = 0) -> str:
    data = (raw & 0xFFFF).to_bytes(2, "little") + bytes.fromhex("4b467fff0c10")
    whole = data + bytes((crc8_1wire(data),))
    shown = bytes((whole[0] ^ spoil,)) + whole[1:]
    line = shown.hex(" ")
    return f"{line} : crc={whole[8]:02x} YES\n{line} t={raw * 1000 // 16}\n"


@pytest.mark.parametrize(
    ("raw", "temp_degC"),
    [
        (0x07D0, 125.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0x0000, 0.0),
        (-0x0008, -0.5),
        (-0x00A2, -10.125),
        (-0x0370, -55.0),
    ],
)
def test_one_wire_table(raw: int, temp_degC: float) -> None:
    """DS18B20 data sheet, table 1 'temperature/data relationship'."""
    assert w1_degC(scratchpad(raw), None) == temp_degC


def test_one_wire_power_on_value() -> None:
    """+85 degC (0x0550) is the power-on value; it is trusted only where it is plausible."""
    with pytest.raises(ProbeFault, match="power-on"):
        w1_degC(scratchpad(0x0550), None)
    with pytest.raises(ProbeFault, match="power-on"):
        w1_degC(scratchpad(0x0550), 24.0)
    assert w1_degC(scratchpad(0x0550), 84.0) == 85.0


@pytest.mark.parametrize("text", ["", "garbage", "00 " * 9 + ": crc=00 NO\n"])
def test_one_wire_unreadable(text: str) -> None:
    with pytest.raises(ProbeFault):
        w1_degC(text, None)


def test_one_wire_shorted_bus_passes_its_crc_but_not_us() -> None:
    with pytest.raises(ProbeFault, match="shorted"):
        w1_degC("00 " * 9 + ": crc=00 YES\n" + "00 " * 9 + "t=0\n", 20.0)


@given(st.integers(1, 255))
def test_one_wire_any_spoilt_byte_is_seen(spoil: int) -> None:
    """It is found although the driver says YES: a CRC of 8 bits detects every change within one
    byte."""
    with pytest.raises(ProbeFault, match="CRC"):
        w1_degC(scratchpad(0x0191, spoil=spoil), None)


@pytest.mark.parametrize(
    ("temp_degC", "voltage_mV"),
    [
        (-200, -5.891),
        (-100, -3.554),
        (-50, -1.889),
        (0, 0.0),
        (20, 0.798),
        (25, 1.000),
        (50, 2.023),
        (100, 4.096),
        (150, 6.138),
        (200, 8.138),
        (300, 12.209),
        (500, 20.644),
    ],
)
def test_type_k(temp_degC: float, voltage_mV: float) -> None:
    """NIST SRD 60 table values (to 0.001 mV, quoted from memory); the inverse within its own
    stated error of 0.05 K (0 to 500 degC) and 0.04 K (below 0)."""
    assert type_k_mV(temp_degC) == pytest.approx(voltage_mV, abs=0.0006)
    assert type_k_degC(type_k_mV(temp_degC)) == pytest.approx(temp_degC, abs=0.055)


@pytest.mark.parametrize(
    ("temp_degC", "resistance_ohm"),
    [
        *((-200, 18.52), (-100, 60.26), (-10, 96.09), (0, 100.0), (50, 119.40), (100, 138.51)),
        *((150, 157.33), (200, 175.86), (400, 247.09), (850, 390.48)),
    ],
)
def test_pt100(temp_degC: float, resistance_ohm: float) -> None:
    """IEC 60751:2008, table 1 (to 0.01 ohm, quoted from memory)."""
    assert pt100_ohm(temp_degC) == pytest.approx(resistance_ohm, abs=0.0051)
    if temp_degC >= -100:
        assert pt100_degC(pt100_ohm(temp_degC)) == pytest.approx(temp_degC, abs=1e-6)


def amplifier_word(hot_degC: float, cold_degC: float, faults: int = 0) -> bytes:
    hot, cold = round(hot_degC * 4) & 0x3FFF, round(cold_degC * 16) & 0xFFF
    return (hot << 18 | bool(faults) << 16 | cold << 4 | faults).to_bytes(4, "big")


def test_thermocouple_amplifier() -> None:
    """MAX31855 data sheet, tables 4 and 5: 100.75 and 25 degC read 0x0193 and 0x190; here the
    chip's straight line is undone and ITS-90 put in its place."""
    word = amplifier_word(100.75, 25.0)
    assert word == (0x193 << 18 | 0x190 << 4).to_bytes(4, "big")
    straight_mV = (100.75 - 25.0) * 0.041276
    assert type_k_mV(max31855_degC(word)) == pytest.approx(straight_mV + 1.000, abs=0.003)
    assert max31855_degC(amplifier_word(25.0, 25.0)) == pytest.approx(25.0, abs=0.05)
    assert max31855_degC(amplifier_word(-10.0, -10.0)) == pytest.approx(-10.0, abs=0.05)


@pytest.mark.parametrize(
    ("word", "words"),
    [
        (amplifier_word(20, 20, 1), "is open"),
        (amplifier_word(20, 20, 2), "touches ground"),
        (amplifier_word(20, 20, 4), "touches a supply"),
        (b"\xff\xff\xff\xff", "does not answer"),
        (b"\0\0\0\0", "does not answer"),
    ],
)
def test_thermocouple_faults(word: bytes, words: str) -> None:
    with pytest.raises(ProbeFault, match=words) as raised:
        max31855_degC(word)
    assert raised.value.kind == "probe_lost"


def test_platinum_amplifier() -> None:
    """MAX31865 data sheet: R = code x Rref / 2^15; 0 degC of a Pt100 on 430 ohm is code 7620."""
    assert max31865_degC((7620 << 1).to_bytes(2, "big"), 0) == pytest.approx(0.0, abs=0.04)
    for rtd, fault in ((b"\xff\xff", 0), (b"\0\0", 0), ((7620 << 1 | 1).to_bytes(2, "big"), 0x80)):
        with pytest.raises(ProbeFault):
            max31865_degC(rtd, fault)


def infrared_answer(raw: int) -> bytes:
    low, high = raw & 0xFF, raw >> 8
    return bytes((low, high, crc8_smbus(bytes((0xB4, 0x07, 0xB5, low, high)))))


def test_infrared() -> None:
    """MLX90614 data sheet, section 8.4.5: the read of 0x3AD2 ends in PEC 0x30, and 0x3AF7 is
    28.75 degC (0x3AF7 x 0.02 K)."""
    assert infrared_answer(0x3AD2)[2] == 0x30
    assert mlx90614_degC(0x5A, 0x07, infrared_answer(0x3AF7)) == pytest.approx(28.75)
    with pytest.raises(ProbeFault, match="reports an internal error"):
        mlx90614_degC(0x5A, 0x07, infrared_answer(0x8123))


@given(st.integers(0, 0x7FFF), st.integers(1, 0xFFFFFF))
def test_infrared_bit_errors(raw: int, spoil: int) -> None:
    """Any burst of up to eight bits is seen by a CRC of eight bits (Peterson and Brown 1961)."""
    burst = spoil
    while not burst & 1:
        burst >>= 1
    if burst > 0xFF:
        spoil &= 0xFF
        if not spoil:
            return
    answer = (int.from_bytes(infrared_answer(raw), "big") ^ spoil).to_bytes(3, "big")
    with pytest.raises(ProbeFault):
        mlx90614_degC(0x5A, 0x07, answer)
