"""Scale during a run: its readings are shown, and guide the person while parts are weighed."""

from __future__ import annotations

import asyncio
import uuid

from evenwall.devices.scale import watch
from evenwall.model import Command, ScaleView, Step
from evenwall.model.orders import WeighPart
from evenwall.run.guided_weighing import GuidedWeighing, Taken
from evenwall.run.supervisor import Supervisor
from evenwall_bridge.contract import Clock, Scale

WHO = "scale"  # the name in the record for weights taken by the scale


class ScaleLead:
    """Passes each reading on to the sheet, and asks for steady weights to be recorded."""

    def __init__(self, supervisor: Supervisor, clock: Clock) -> None:
        """Set up the guide. clock: the scale's clock."""
        self._supervisor, self._clock = supervisor, clock
        self._guide = GuidedWeighing()
        self._asking: set[asyncio.Task[object]] = set()

    def show(self, reading: ScaleView) -> None:
        """Take in one reading."""
        supervisor, state = self._supervisor, self._supervisor.state
        if state is not None:
            taken = self._guide.look(self._clock.now_s(), reading, state)
            if taken is not None:
                self._write_down(taken, state.step_id)
            weighing = self._guide.view(reading, state)
            reading = reading.model_copy(update={"weighing": weighing})
        if reading != supervisor.scale:
            supervisor.scale = reading
            if state is not None and state.step is Step.WEIGH:
                supervisor.wake()

    def _write_down(self, taken: Taken, step_id: str) -> None:
        """Send the weight as a person would; if too late, it is refused like a late press."""
        order = WeighPart(part=taken.part, mass_g=taken.mass_g)
        command = Command(key=uuid.uuid4().hex, step_id=step_id, who=WHO, order=order)
        task: asyncio.Task[object] = asyncio.get_running_loop().create_task(
            self._supervisor.command(command)
        )
        self._asking.add(task)
        task.add_done_callback(self._asking.discard)

    async def follow(self, scale: Scale) -> None:
        """Follow the scale until cancelled."""
        try:
            await watch(scale, self._clock, self.show)
        finally:
            for task in self._asking:
                task.cancel()
            await asyncio.gather(*self._asking, return_exceptions=True)
