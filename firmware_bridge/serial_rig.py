"""Rig over a serial port: the board on USB, or a simulated one on a pseudo-terminal."""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import Callable, Iterable

import serial
from serial.tools.list_ports import comports

from evenwall_bridge.arrived import arrived
from evenwall_bridge.contract import Clock, LinkLost
from evenwall_bridge.link import ClockAlignment
from evenwall_bridge.motion import FrameLimits
from evenwall_bridge.rig import FramedRig
from evenwall_bridge.usb_port import Port, UsbPort
from evenwall_bridge.wire import StateRow

BAUD = 250_000
# Most state rows per wall second from a board that runs faster than real time.
_ROWS_PER_WALL_S = 200.0


class SerialRig(FramedRig):
    """Meets `contract.Rig` over pyserial, the port held exclusively.

    port: "/dev/ttyUSB0", "/dev/serial/by-id/...", or `PtyBoard.port`. clock: what the rows' `at_s`
    is on; for a board that runs faster than real time, give the common `speed` of clock and board.
    The link's own deadlines are wall seconds whatever the speed. A board that comes back under
    another name is found by its USB identity. ports: lists the serial ports of this machine.
    """

    def __init__(
        self,
        port: str,
        clock: Clock,
        limits: FrameLimits | None = None,
        speed: float = 1.0,
        state_period_s: float = 0.1,
        ports: Callable[[], Iterable[Port]] = comports,
    ) -> None:
        period_s = max(state_period_s, speed / _ROWS_PER_WALL_S)
        super().__init__(clock, limits or FrameLimits(), period_s)
        self._port_name, self._where = port, UsbPort(port, ports)
        self._speed = speed
        self._port: serial.Serial | None = None
        self._alignment = ClockAlignment()
        self._timer: asyncio.TimerHandle | None = None
        self._unsent = bytearray()

    def _connect(self) -> None:
        path = self._where.path()
        try:
            self._port = serial.Serial(path, BAUD, timeout=0, exclusive=True)
            self._port.reset_input_buffer()
            self._keep_dtr(self._port.fileno())
        except (serial.SerialException, termios.error, OSError) as error:
            self._port = None
            raise LinkLost(f"{path}: {error}") from None
        asyncio.get_running_loop().add_reader(self._port.fileno(), self._readable)
        self._on_timer()

    @staticmethod
    def _keep_dtr(fd: int) -> None:
        """Leave DTR unchanged whenever the port closes.

        Many boards connect its falling edge to the chip's reset, and the next host must find the
        frame turning.
        """
        mode = termios.tcgetattr(fd)
        mode[2] &= ~termios.HUPCL
        termios.tcsetattr(fd, termios.TCSANOW, mode)

    def _disconnect(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._unsent.clear()
        if self._port is not None:
            loop = asyncio.get_running_loop()
            loop.remove_reader(self._port.fileno())
            loop.remove_writer(self._port.fileno())
            self._port.close()
            self._port = None

    def _write(self, data: bytes) -> None:
        self._unsent += data
        self._writable()

    def _writable(self) -> None:
        if self._port is None:
            return
        loop = asyncio.get_running_loop()
        try:
            sent = os.write(self._port.fileno(), self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            self._end(LinkLost(f"{self._port_name}: {error.strerror}"))
            return
        del self._unsent[:sent]
        if self._unsent:
            loop.add_writer(self._port.fileno(), self._writable)
        else:
            loop.remove_writer(self._port.fileno())

    def _readable(self) -> None:
        if self._port is None:
            return
        try:
            data = arrived(self._port.fileno())
        except OSError as error:
            self._end(LinkLost(f"{self._port_name}: {error.strerror}"))
            return
        if data:
            self._incoming(data)

    def _on_timer(self) -> None:
        self._tick()
        if self._port is not None:
            self._timer = asyncio.get_running_loop().call_later(0.05, self._on_timer)

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def _pause(self, duration_s: float) -> None:
        future = asyncio.get_running_loop().create_future()
        handle = asyncio.get_running_loop().call_later(duration_s, future.set_result, None)
        try:
            await future
        finally:
            handle.cancel()

    def _begun(self) -> None:
        self._alignment = ClockAlignment()

    def _arrived(self, row: StateRow) -> None:
        self._alignment.add(row.slice, self._clock.now_s())
        if self._port is not None and self._port.port is not None:
            self._where.remember(self._port.port)

    def _host_s(self, slice_number: int) -> float:
        return self._alignment.host_s(slice_number)
