"""Scale on a serial port that sends its display as plain lines, as most bench scales can.

There is no single standard. A line has a number and usually its unit; many scales add a sign and
marks for steady or not, net or gross (common practice, no source). All of these are read. Any other
content is refused, because a misread digit is worse than a typed weight.
"""

from __future__ import annotations

import asyncio
import re
import termios
from collections.abc import Callable, Iterable
from typing import Literal

import serial
from serial.tools.list_ports import comports

from evenwall_bridge.arrived import arrived
from evenwall_bridge.contract import Garbled, LinkLost, Weight
from evenwall_bridge.usb_port import Port, UsbPort

Unit = Literal["g", "kg", "oz"]
GRAMS = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125}  # avoirdupois, exact: NIST SP 811, app. B.8
LIMIT_G = 100_000.0  # a bench scale shows no more
SILENT_S = 3.0  # a scale that sends by itself sends at least this often
_LINE_BYTES = 80  # a longer line is not from a scale: wrong baud rate, or another device

STEADY = {"ST", "S"}
MOVING = {"US", "D", "SD", "U", "M", "?", "~"}
OTHER = {"GS", "NT", "G", "N", "NET", "GROSS", "TR", "T", "W"}
OVER = {"OL", "OVER", "ERR", "ERROR"}
_LINE = re.compile(
    r"(?P<head>[A-Z,:;?~ \t]*?)[, \t]*(?P<sign>[+-]?)[ \t]*(?P<number>\d{1,7}(?:[.,]\d{0,4})?)"
    r"[ \t]*(?P<unit>KG|G|OZ)?(?P<tail>[, \t]+[A-Z]+|[ \t]*[?~])?",
    re.ASCII,
)


def parse_line(line: bytes, unit: Unit = "g") -> tuple[float, bool | None]:
    """Return (mass_g, steady); steady is None if the line has no mark for it.

    unit: unit of lines that name none. Raises Garbled.
    """
    if len(line) > _LINE_BYTES:
        raise Garbled(f"scale: {line[:20]!r} ... is too long for a weight: check its baud rate")
    try:
        text = line.decode("ascii").strip(" \t\r\n\0\x02\x03").upper()
    except UnicodeDecodeError:
        raise Garbled(f"scale: {line[:40]!r} is not plain text: check its baud rate") from None
    words = set(re.split(r"[,:; \t]+", text))
    if words & OVER or re.fullmatch(r"[-_=^\s]{3,}[A-Z]*", text):
        raise Garbled("scale: overloaded, or its zero is off: take everything off it")
    found = _LINE.fullmatch(text)
    if found is None:
        raise Garbled(f"scale: {text[:40]!r} is not a weight in g, kg or oz")
    marks = set(re.findall(r"[A-Z]+|[?~]", f"{found['head']} {found['tail'] or ''}"))
    unknown = marks - STEADY - MOVING - OTHER
    if unknown:
        raise Garbled(f"scale: {text[:40]!r} is not a weight: {min(unknown)!r} is not known")
    named = (found["unit"] or unit).lower()
    mass_g = float(found["number"].replace(",", ".")) * GRAMS[named]
    if mass_g > LIMIT_G:
        raise Garbled(f"scale: {mass_g:.0f} g is over {LIMIT_G:.0f} g: is its unit {named}?")
    steady = False if marks & MOVING else True if marks & STEADY else None
    return -mass_g if found["sign"] == "-" else mass_g, steady


class SerialScale:
    """Meets `contract.Scale` over pyserial, the port held exclusively; it is only listened to.

    A line without a mark is steady if it equals the previous line.
    """

    def __init__(
        self,
        port: str,
        baud: int = 9600,
        data_bits: Literal[7, 8] = 8,
        parity: Literal["none", "even", "odd"] = "none",
        unit: Unit = "g",
        silent_s: float = SILENT_S,
        ports: Callable[[], Iterable[Port]] = comports,
    ) -> None:
        """Set up. ports: lists the serial ports of this machine, to find a scale that got another
        name."""
        self._where = UsbPort(port, ports)
        self._port_name, self._baud, self._unit = port, baud, unit
        self._data_bits, self._parity, self._silent_s = data_bits, parity[0].upper(), silent_s
        self._port: serial.Serial | None = None
        self._buffer = b""
        self._newest: Weight | Garbled | LinkLost | None = None
        self._last_g: float | None = None
        self._heard = asyncio.Event()

    async def open(self) -> None:
        path = self._where.path()
        try:
            self._port = serial.Serial(
                path,
                self._baud,
                bytesize=self._data_bits,
                parity=self._parity,
                timeout=0,
                exclusive=True,
            )
            self._port.reset_input_buffer()
        except (serial.SerialException, termios.error, OSError) as error:
            self._port = None
            raise LinkLost(f"scale: {path}: {error}") from None
        self._buffer, self._newest, self._last_g = b"", None, None
        self._heard.clear()
        asyncio.get_running_loop().add_reader(self._port.fileno(), self._readable)

    async def read(self) -> Weight:
        if self._port is None and self._newest is None:
            raise LinkLost(f"scale: {self._port_name} is not open")
        try:
            async with asyncio.timeout(self._silent_s):
                await self._heard.wait()
        except TimeoutError:
            raise LinkLost(f"scale: {self._port_name} is silent: is it on, and sending?") from None
        newest = self._newest
        if isinstance(newest, Weight):
            self._heard.clear()
            return newest
        if isinstance(newest, Garbled):
            self._heard.clear()
        raise newest or LinkLost(f"scale: {self._port_name} is not open")

    async def close(self) -> None:
        self._let_go()

    def _let_go(self) -> None:
        if self._port is not None:
            asyncio.get_running_loop().remove_reader(self._port.fileno())
            self._port.close()
            self._port = None

    def _readable(self) -> None:
        if self._port is None:
            return
        try:
            data = arrived(self._port.fileno())
        except OSError as error:
            self._lost(error.strerror or "lost")
            return
        *lines, self._buffer = re.split(rb"[\r\n]+", self._buffer + data)
        for line in filter(None, lines):
            self._take(line)
        if len(self._buffer) > _LINE_BYTES:  # and no end of it
            self._take(self._buffer)
            self._buffer = b""

    def _take(self, line: bytes) -> None:
        try:
            mass_g, steady = parse_line(line, self._unit)
        except Garbled as error:
            self._newest, self._last_g = error, None
        else:
            same = mass_g == self._last_g
            self._newest, self._last_g = Weight(mass_g, same if steady is None else steady), mass_g
            if self._port is not None and self._port.port is not None:
                self._where.remember(self._port.port)
        self._heard.set()

    def _lost(self, why: str) -> None:
        self._let_go()
        self._newest = LinkLost(f"scale: {self._port_name}: {why}")
        self._heard.set()
