"""Interfaces of the devices that the supervisor uses: probes, inputs and outputs.

They are small protocols, so that the run depends on no concrete probe, pin or screen. `probes.py`
and `gpio.py` implement them with real parts, `twin` with simulated ones.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Reading:
    """One answer of a probe: a temperature, or the reason in words why there is none."""

    at_s: float  # on the rig's clock
    temp_degC: float | None
    fault: str | None = None  # probe_lost, probe_stuck, probe_noisy or probe_out
    why: str = ""  # cause of the fault, if the sensor or its bus reports it


class Probe(Protocol):
    """A thermometer. A bad reading raises nothing: it is a Reading with a fault."""

    async def read(self) -> Reading: ...

    async def close(self) -> None: ...


class Press(enum.StrEnum):
    """A press of a hardware button by a person."""

    NEXT = "next"  # the one button beside the frame; also used to confirm at the rig
    LONG = "long"  # the same button held down: go back, or pause while the frame turns
    STOP = "stop"  # ramp down and stop; the hard-wired cut of motor power is separate


class Inputs(Protocol):
    """Hardware inputs on the controller's side; the guard switch itself goes to the board."""

    def presses(self) -> tuple[Press, ...]:
        """Every press since the last call, oldest first, debounced; never blocks."""
        ...

    def close(self) -> None: ...


class Light(enum.StrEnum):
    """State of the stack light, with the colours of IEC 60073: green, amber, red; off when idle."""

    OFF = "off"
    READY = "ready"  # steady green: nothing moves, and nobody is needed
    TURNING = "turning"  # steady amber: keep clear
    ASKING = "asking"  # flashing green: a person is needed
    MOVES_NEXT = "moves_next"  # flashing amber: the next press makes the frame move
    ACT_NOW = "act_now"  # flashing red


class Outputs(Protocol):
    """Stack light and buzzer. A failed output never stops a run: implementations log and go on."""

    def show(self, light: Light) -> None:
        """Show a light until the next call; showing the same light again costs nothing."""
        ...

    def sound(self, repeats: int) -> None:
        """Sound this many short beeps, without waiting for them."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke of the gel rod, there and back.

    lag_s: time from the order until the rod had followed both ways, or None if it did not follow.
    """

    at_s: float  # of its beginning, on the rig's clock
    lag_s: float | None


class GelRod(Protocol):
    """A rod that a weak spring swings to and fro in the witness cup, until the gel holds it."""

    async def stroke(self) -> Stroke:
        """Swing once. A rod that is held or broken raises nothing; the Stroke has no lag then."""
        ...

    def rest(self) -> None:
        """Release the rod: nothing pulls until the next stroke."""
        ...

    def close(self) -> None: ...


class NoInputs:
    """A rig without hardware buttons."""

    def presses(self) -> tuple[Press, ...]:
        return ()

    def close(self) -> None:
        return None


class NoOutputs:
    """A rig without light or buzzer."""

    def show(self, light: Light) -> None:
        del light

    def sound(self, repeats: int) -> None:
        del repeats

    def close(self) -> None:
        return None
