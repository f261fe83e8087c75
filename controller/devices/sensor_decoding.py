"""Decoding of a thermometer's bits, with every check that its data sheet offers; no I/O here.

Each function returns degC or raises ProbeFault: `probe_noisy` if the bits were damaged in transfer,
`probe_lost` if the sensor is missing, broken or without supply.
"""

from __future__ import annotations

import math
import re

from evenwall.errors import ProbeFault


def crc8_1wire(data: bytes) -> int:
    """CRC-8/MAXIM-DOW (x^8 + x^5 + x^4 + 1, reflected): DS18B20 data sheet; check value 0xA1."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc


def crc8_smbus(data: bytes) -> int:
    """CRC-8/SMBUS (x^8 + x^2 + x + 1): SMBus 3.1 section 5.4, packet error code; check 0xF4."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ (0x07 if crc & 0x80 else 0)) & 0xFF
    return crc


_W1_LINE = re.compile(r"^((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)$", re.MULTILINE)
POWER_ON_degC = 85.0


def w1_degC(text: str, last_degC: float | None) -> float:
    """Decode `w1_slave`, the kernel's file for a DS18B20; valid from -55 to 125 degC.

    The scratchpad's own CRC is checked again here. The sensor reports 85.0 degC before its first
    conversion, so this value is accepted only if `last_degC` is within 5 K of it (data sheet,
    'power-on reset value'; the 5 K is our choice).
    """
    found = _W1_LINE.search(text)
    if found is None:
        raise ProbeFault("probe_lost", "the one-wire driver gives no reading: check the plug")
    scratchpad = bytes.fromhex(found[1])
    if found[2] != "YES" or crc8_1wire(scratchpad[:8]) != scratchpad[8]:
        raise ProbeFault("probe_noisy", "CRC wrong: check the pull-up and the cable's length")
    if not any(scratchpad):  # all zero passes the CRC: the bus is shorted to ground
        raise ProbeFault("probe_lost", "only zeros: the one-wire line is shorted to ground")
    temp_degC = int.from_bytes(scratchpad[:2], "little", signed=True) / 16.0
    if temp_degC == POWER_ON_degC and (last_degC is None or abs(last_degC - temp_degC) > 5.0):
        raise ProbeFault("probe_lost", "85.0 degC is its power-on value: check the supply")
    return within(temp_degC, -55.0, 125.0)


def within(temp_degC: float, low_degC: float, high_degC: float) -> float:
    """Return the reading. Raises ProbeFault if it is outside the sensor's range."""
    if not low_degC <= temp_degC <= high_degC:
        raise ProbeFault(
            "probe_noisy",
            f"{temp_degC:.1f} degC is outside the sensor's {low_degC:g} to {high_degC:g} degC",
        )
    return temp_degC


# --- Type K thermocouple, ITS-90 -----------------------------------------------------------------

# NIST Standard Reference Database 60 (Monograph 175), type K; E in mV, t in degC. The tests compare
# each coefficient with those that thermocouple-its90 takes from that database.
_K_BELOW_0 = (
    *(0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8),
    *(-0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16),
    *(-0.198892668780e-19, -0.163226974860e-22),
)
_K_ABOVE_0 = (
    *(-0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7),
    *(0.318409457190e-9, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18),
    *(0.971511471520e-22, -0.121047212750e-25),
)
_K_BELL = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)
_K_BACK_BELOW_0 = (
    *(0.0, 2.5173462e1, -1.1662878, -1.0833638, -8.9773540e-1, -3.7342377e-1, -8.6632643e-2),
    *(-1.0450598e-2, -5.1920577e-4),
)
_K_BACK_0_500 = (
    *(0.0, 2.508355e1, 7.860106e-2, -2.503131e-1, 8.315270e-2, -1.228034e-2, 9.804036e-4),
    *(-4.413030e-5, 1.057734e-6, -1.052755e-8),
)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for c in reversed(coefficients):
        total = total * x + c
    return total


def type_k_mV(temp_degC: float) -> float:
    """Voltage against a junction at 0 degC, -200 to 1372 degC (ITS-90, NIST SRD 60)."""
    within(temp_degC, -200.0, 1372.0)
    if temp_degC < 0:
        return _polynomial(_K_BELOW_0, temp_degC)
    a0, a1, a2 = _K_BELL
    return _polynomial(_K_ABOVE_0, temp_degC) + a0 * math.exp(a1 * (temp_degC - a2) ** 2)


def type_k_degC(voltage_mV: float) -> float:
    """Inverse of `type_k_mV`, -200 to 500 degC (-5.891 to 20.644 mV), within 0.05 K of ITS-90."""
    if not -5.8915 <= voltage_mV <= 20.6445:
        raise ProbeFault("probe_noisy", f"{voltage_mV:.3f} mV is outside -200 to 500 degC")
    return _polynomial(_K_BACK_BELOW_0 if voltage_mV < 0 else _K_BACK_0_500, voltage_mV)


_AMPLIFIER_mV_K = 0.041276  # the straight line a MAX31855K assumes (its data sheet, table 1)


def max31855_degC(word: bytes) -> float:
    """Decode the word of a MAX31855K: hot and cold junction, fault bits; linearised by ITS-90.

    The chip has no CRC: two reserved bits that must read 0 are the only check.
    """
    bits = int.from_bytes(word, "big")
    if bits in (0, 0xFFFFFFFF) or bits & 0x00020008:
        raise ProbeFault("probe_lost", "the thermocouple amplifier does not answer: check its SPI")
    for mask, what in ((1, "is open"), (2, "touches ground"), (4, "touches a supply")):
        if bits & mask:
            raise ProbeFault("probe_lost", f"the thermocouple {what}: check its plug and tip")
    hot = bits >> 18
    cold = (bits >> 4) & 0xFFF
    hot_degC = (hot - (hot & 0x2000) * 2) / 4.0
    cold_degC = (cold - (cold & 0x800) * 2) / 16.0
    return type_k_degC((hot_degC - cold_degC) * _AMPLIFIER_mV_K + type_k_mV(cold_degC))


# --- Platinum resistor, IEC 60751 ----------------------------------------------------------------

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
REFERENCE_ohm = 430.0  # reference resistor beside a MAX31865 for a Pt100


def pt100_ohm(temp_degC: float) -> float:
    """Resistance by Callendar-Van Dusen, IEC 60751:2008, -200 to 850 degC."""
    t = within(temp_degC, -200.0, 850.0)
    below = _C * (t - 100.0) * t**3 if t < 0 else 0.0
    return 100.0 * (1.0 + _A * t + _B * t * t + below)


def pt100_degC(resistance_ohm: float) -> float:
    """Inverse of `pt100_ohm`, -100 to 850 degC: quadratic, then three Newton steps below 0 degC."""
    if not 60.2 <= resistance_ohm <= 390.5:
        raise ProbeFault("probe_noisy", f"{resistance_ohm:.1f} ohm is not possible for a Pt100")
    t = (-_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - resistance_ohm / 100.0))) / (2.0 * _B)
    if t < 0:
        for _ in range(3):
            slope = 100.0 * (_A + 2.0 * _B * t + _C * (4.0 * t - 300.0) * t * t)
            t -= (pt100_ohm(t) - resistance_ohm) / slope
    return t


def max31865_degC(rtd: bytes, fault: int) -> float:
    """Decode a MAX31865's two-byte resistance register and its fault status byte (data sheet)."""
    code = int.from_bytes(rtd, "big")
    if code in (0, 0xFFFF):
        raise ProbeFault("probe_lost", "the resistor amplifier does not answer: check its SPI")
    if code & 1 or fault:
        raise ProbeFault(
            "probe_lost", f"the platinum probe is open or shorted (status 0x{fault:02x})"
        )
    return pt100_degC((code >> 1) * REFERENCE_ohm / 32768.0)


# --- Infrared, SMBus -----------------------------------------------------------------------------


def mlx90614_degC(address: int, command: int, answer: bytes) -> float:
    """Decode an MLX90614's object temperature: a word and its packet error code (data sheet)."""
    low, high, pec = answer
    if crc8_smbus(bytes((address << 1, command, address << 1 | 1, low, high))) != pec:
        raise ProbeFault("probe_noisy", "packet error code wrong: check the I2C cable")
    raw = high << 8 | low
    if raw & 0x8000:
        raise ProbeFault("probe_lost", "the infrared sensor reports an internal error")
    return within(raw * 0.02 - 273.15, -70.0, 380.0)
