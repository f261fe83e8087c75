"""After a restart of the hub, the board and the scale are found under their new names."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import LinkLost, Mode, Ramp
from evenwall_bridge.motion import FrameLimits
from evenwall_bridge.serial_rig import SerialRig
from evenwall_bridge.serial_scale import SerialScale
from evenwall_bridge.sim_board import PtyBoard
from evenwall_bridge.usb_port import UsbPort, identity_of

LIMITS = FrameLimits(accel_limit_rpm_s=20.0)
LATE_s = 20.0  # more than any of it takes on a busy machine


@dataclass
class Listed:
    """A serial port as pyserial lists it."""

    device: str
    vid: int | None = 0x2341
    pid: int | None = 0x0043
    serial_number: str | None = "A1"
    location: str | None = "1-1.2"


def test_a_device_is_where_its_identity_is() -> None:
    ports = [Listed("/dev/ttyACM0"), Listed("/dev/ttyACM1", serial_number="B2")]
    where = UsbPort("/dev/ttyACM0", lambda: ports)
    assert where.path() == "/dev/ttyACM0"
    where.remember("/dev/ttyACM0")
    ports[0].device, ports[1].device = "/dev/ttyACM1", "/dev/ttyACM0"
    assert where.path() == "/dev/ttyACM1"
    where.remember("/dev/ttyACM0")  # the first answer counts
    assert where.path() == "/dev/ttyACM1"
    ports.pop(0)
    with pytest.raises(LinkLost, match=r"2341:0043, serial number A1.* is at no port"):
        where.path()


def test_without_a_serial_number_its_socket_tells() -> None:
    """Two adapters of one kind, each in a socket of its own."""
    ports = [
        Listed("/dev/ttyUSB0", 0x1A86, 0x7523, None, "1-1.3"),
        Listed("/dev/ttyUSB1", 0x1A86, 0x7523, None, "1-1.4"),
    ]
    where = UsbPort("/dev/ttyUSB0", lambda: ports)
    where.remember("/dev/ttyUSB0")
    ports[0].device, ports[1].device = "/dev/ttyUSB1", "/dev/ttyUSB0"
    assert where.path() == "/dev/ttyUSB1"


def test_of_two_that_look_alike_none_is_guessed() -> None:
    ports = [Listed("/dev/ttyACM0")]
    where = UsbPort("/dev/ttyACM0", lambda: ports)
    where.remember("/dev/ttyACM0")
    ports[:] = [Listed("/dev/ttyACM1"), Listed("/dev/ttyACM2")]
    with pytest.raises(LinkLost, match=r"two devices are .*ttyACM1, /dev/ttyACM2"):
        where.path()


def test_what_is_not_on_usb_keeps_its_name() -> None:
    for port in (Listed("/dev/ttyS0", None, None, None, None), Listed("/dev/x", 1, 2, "", "")):
        assert identity_of(port) is None
        where = UsbPort(port.device, lambda port=port: [port])  # type: ignore[misc]
        where.remember(port.device)
        assert where.path() == port.device


@pytest.fixture
def stranger() -> Iterator[tuple[int, str]]:
    """Another device on a pseudo-terminal: what is written to it, and its path."""
    ours, theirs = os.openpty()
    os.set_blocking(ours, False)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def test_a_hub_renames_the_board_in_mid_coat(tmp_path: Path, stranger: tuple[int, str]) -> None:
    """The board keeps turning, is found by its serial number and accepts the next ramp. The device
    that now has its old name receives nothing."""
    heard, other = stranger

    async def work() -> None:
        clock = SystemClock(10.0)
        with PtyBoard(10.0, folder=tmp_path) as board:
            ports = [Listed(board.port)]
            rig = SerialRig(board.port, clock, LIMITS, speed=10.0, ports=lambda: ports)
            await rig.open()
            await rig.enable(grant_s=600.0)
            await rig.queue([Ramp(1.0, 8.0, 4.0), Ramp(500.0, 8.0, 4.0)])
            renamed = str(tmp_path / "renamed")
            os.rename(board.port, renamed)
            os.symlink(other, board.port)
            ports[:] = [Listed(board.port, 0x0403, 0x6001, "S9"), Listed(renamed)]
            rig._end(LinkLost("the hub started anew"))
            with pytest.raises(LinkLost):
                await rig.hold()
            before = board.steps()
            async with asyncio.timeout(LATE_s):
                while True:  # until it is found
                    try:
                        await rig.queue([Ramp(1.0, 0.0, 0.0)])
                        break
                    except LinkLost:
                        await clock.sleep(0.5)
            assert rig.state.mode is Mode.TURNING
            assert not rig.state.faults
            assert board.steps() > before
            await rig.stop()
            await rig.close()
            os.unlink(board.port)
            os.rename(renamed, board.port)

    asyncio.run(work())
    with pytest.raises(BlockingIOError):
        os.read(heard, 100)


def test_a_scale_is_found_under_its_new_name(tmp_path: Path, stranger: tuple[int, str]) -> None:
    wire, path = stranger
    name = tmp_path / "scale"
    name.symlink_to(path)

    async def work() -> None:
        ports = [Listed(str(name))]
        scale = SerialScale(str(name), ports=lambda: ports)
        await scale.open()
        os.write(wire, b"ST,GS,+  12.5 g\r\n")
        assert (await scale.read()).mass_g == 12.5
        await scale.close()
        ports[0].device = str(name.rename(tmp_path / "renamed"))
        await scale.open()
        os.write(wire, b"ST,GS,+  13.5 g\r\n")
        assert (await scale.read()).mass_g == 13.5
        await scale.close()

    asyncio.run(work())
