"""Simulated bench scale on a pseudo-terminal, reached like one on USB."""

from __future__ import annotations

import contextlib
import os
import tty

from evenwall_bridge.contract import Clock, Weight
from evenwall_bridge.serial_scale import parse_line

PERIOD_S = 0.2  # about what bench scales send by themselves (common practice, no source)
SETTLES = 3  # lines until a load stands still


class Pan:
    """A pan with a load on it, a display over it, and a tare key."""

    def __init__(self) -> None:
        self._mass_g, self._tare_g, self._settles = 0.0, 0.0, 0

    def load(self, mass_g: float) -> None:
        """Set the total load on the pan, in g; it settles within SETTLES lines."""
        self._mass_g, self._settles = mass_g, SETTLES

    def tare(self) -> None:
        """Press the tare key: the present load reads zero from now on."""
        self._tare_g, self._settles = self._mass_g, 1

    def line(self) -> bytes:
        """Return one line of the display in the form that is sent, without its line end."""
        moving = " ?" if self._settles else ""
        self._settles = max(0, self._settles - 1)
        return f"{self._mass_g - self._tare_g:+9.1f} g{moving}".encode("ascii")


class PtyScale(Pan):
    """Scale on a pseudo-terminal: `load` sets its load, `run` sends until cancelled."""

    def __init__(self) -> None:
        super().__init__()
        self._device, self._wire = os.openpty()
        tty.setraw(self._wire)
        os.set_blocking(self._device, False)
        self.port = os.ttyname(self._wire)
        self._plugged = True

    def send(self, line: bytes) -> None:
        """Send a line. It is lost if nobody reads, as on a real line."""
        if not self._plugged:
            return
        with contextlib.suppress(BlockingIOError):
            os.write(self._device, line + b"\r\n")

    def show(self) -> None:
        """Send one line of the display."""
        self.send(self.line())

    async def run(self, clock: Clock) -> None:
        while True:
            self.show()
            await clock.sleep(PERIOD_S)

    def unplug(self) -> None:
        if self._plugged:
            self._plugged = False
            os.close(self._device)
            os.close(self._wire)


class PanScale(Pan):
    """A scale without a wire, for virtual time. Meets `contract.Scale`."""

    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock

    async def open(self) -> None:
        return None

    async def read(self) -> Weight:
        await self._clock.sleep(PERIOD_S)
        mass_g, steady = parse_line(self.line())
        return Weight(mass_g, steady is not False)  # its display marks only unsteady weights

    async def close(self) -> None:
        return None
