"""Present path of a USB device on a serial port.

A hub that restarts gives its devices new names: the board of /dev/ttyACM0 comes back as
/dev/ttyACM1, and the scale may have taken its old name. The device itself keeps its identity.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from serial.tools.list_ports import comports

from evenwall_bridge.contract import LinkLost


class Port(Protocol):
    """Serial port of this machine, as pyserial lists it."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None


@dataclass(frozen=True)
class Identity:
    """Identity of a USB device: its maker, its kind and its serial number. Many cheap adapters have
    no serial number; theirs is the socket that they are in."""

    vid: int
    pid: int
    serial_number: str
    location: str  # empty if there is a serial number

    def __str__(self) -> str:
        which = f"serial number {self.serial_number}" if self.serial_number else self.location
        return f"{self.vid:04x}:{self.pid:04x}, {which}"


def identity_of(port: Port) -> Identity | None:
    """Return the identity of a port's device; None if it is not on USB or nothing tells it."""
    if port.vid is None or port.pid is None or not (port.serial_number or port.location):
        return None
    place = "" if port.serial_number else (port.location or "")
    return Identity(port.vid, port.pid, port.serial_number or "", place)


class UsbPort:
    """Path at which a device is found again, whatever the system calls it now."""

    def __init__(self, name: str, ports: Callable[[], Iterable[Port]] = comports) -> None:
        """Set up. name: path of the rig file. ports: lists the serial ports of this machine."""
        self._name, self._ports = name, ports
        self._known: Identity | None = None
        self._remembered = False

    def path(self) -> str:
        """Return the path to open: the given one, until a device was remembered there.

        Raises LinkLost if the remembered device is at no port, or if two look like it.
        """
        if self._known is None:
            return self._name
        named = os.path.realpath(self._name)
        found = [port.device for port in self._ports() if identity_of(port) == self._known]
        if not found:
            raise LinkLost(f"{self._name}: its device ({self._known}) is at no port")
        if named in map(os.path.realpath, found):
            return self._name
        if len(found) > 1:
            raise LinkLost(f"{self._name}: two devices are {self._known}: {', '.join(found)}")
        return found[0]

    def remember(self, path: str) -> None:
        """Remember the device at this path, which has just answered. Later calls change nothing."""
        if self._remembered:
            return
        self._remembered = True
        here = os.path.realpath(path)
        for port in self._ports():
            if os.path.realpath(port.device) == here:
                self._known = identity_of(port)
