"""Gel rod during a run: it detects the gel of the witness cup, as a finger would."""

from __future__ import annotations

import uuid

from evenwall.devices.interfaces import GelRod
from evenwall.model import Command, Step
from evenwall.model.orders import Touch
from evenwall.run.rod_watch import RodWatch
from evenwall.run.state import RunState
from evenwall.run.supervisor import Supervisor
from evenwall_bridge.contract import Clock

WHO = "gel rod"  # the record's name for the source of the touch
NOTICE = "gel_rod"
DOUBT = (
    "The gel rod does not swing freely: look at its spring, its switch and its wires. Until then "
    "touch the cup by hand."
)


def waits_for(state: RunState | None) -> int | None:
    """Return the coat in whose cup the rod may swing, or None.

    The coat must be poured, its frame turning and its cup not yet found gelled.
    """
    if state is None or state.over or state.step is not Step.SPIN:
        return None
    touched = any(what == "cup" for what, _ in state.coat.touches)
    return None if touched or state.coat.poured_s is None else state.index


class RodLead:
    """Strokes while a cup may gel, and reports its gel once, in the form of a person's touch."""

    def __init__(self, supervisor: Supervisor, clock: Clock, rod: GelRod, every_s: float) -> None:
        """Set up the rod. clock: the rig's clock."""
        self._supervisor, self._clock, self._rod = supervisor, clock, rod
        self._every_s = every_s
        self._coat: int | None = None
        self._watch = RodWatch()
        self._told: int | None = None  # the coat already reported, to avoid repeats

    async def follow(self) -> None:
        """Follow run after run until cancelled."""
        try:
            while True:
                await self.once()
                await self._clock.sleep(self._every_s)
        finally:
            self._rod.rest()

    async def once(self) -> None:
        """Swing once, if a cup may gel."""
        state = self._supervisor.state
        coat = waits_for(state)
        if coat is None:
            self._coat, self._told = None, None
            self._supervisor.notices.pop(NOTICE, None)
            return
        if coat != self._coat:
            self._coat, self._watch = coat, RodWatch()
        if coat == self._told:
            return
        self._watch = self._watch.after(await self._rod.stroke())
        if self._watch.doubtful:
            self._supervisor.notices[NOTICE] = DOUBT
        else:
            self._supervisor.notices.pop(NOTICE, None)
        if self._watch.gelled and waits_for(self._supervisor.state) == coat:
            self._told = coat
            order = Touch(what="cup", confirmed=True)
            command = Command(key=uuid.uuid4().hex, who=WHO, order=order)
            await self._supervisor.command(command)
