"""A simulated scale: what a bench scale sends, on a pseudo-terminal, as one on USB is reached."""

from __future__ import annotations

import contextlib
import os
import tty

from evenwall_bridge.contract import Clock

PERIOD_S = 0.2  # about what bench scales send by themselves (common practice, no source)
SETTLES = 3  # lines until a load stands still


class PtyScale:
    """`load` puts so much on it; `run` sends until cancelled; `unplug` ends it."""

    def __init__(self) -> None:
        self._device, self._wire = os.openpty()
        tty.setraw(self._wire)
        os.set_blocking(self._device, False)
        self.port = os.ttyname(self._wire)
        self._mass_g, self._settles = 0.0, 0
        self._plugged = True

    def load(self, mass_g: float) -> None:
        self._mass_g, self._settles = mass_g, SETTLES

    def send(self, line: bytes) -> None:
        """Send a line. It is lost if nobody reads, as on a real line."""
        if not self._plugged:
            return
        with contextlib.suppress(BlockingIOError):
            os.write(self._device, line + b"\r\n")

    def show(self) -> None:
        """One line of the display."""
        mark = "US" if self._settles else "ST"
        self._settles = max(0, self._settles - 1)
        self.send(f"{mark},GS,{self._mass_g:+9.1f} g".encode("ascii"))

    async def run(self, clock: Clock) -> None:
        while True:
            self.show()
            await clock.sleep(PERIOD_S)

    def unplug(self) -> None:
        if self._plugged:
            self._plugged = False
            os.close(self._device)
            os.close(self._wire)
