"""A controller on the pty board, with its operator: runs until the casting is done or until it is
killed.

Started again on the same folder, it continues the run there, as `evenwall serve` does.
"""

from __future__ import annotations

import asyncio
import pickle
from multiprocessing.connection import Connection
from pathlib import Path

from evenwall.cli.application import Setup, open_application
from evenwall.model import Answer, Command
from evenwall.model.orders import StartOwn
from evenwall.simulation.scripted_operator import Habits, Operator
from tests.faults.light import light

# A quick operator, who begins his present action again after the controller has died and returned.
HABITS = Habits(dawdle=0.1, measures=False)


def main(folder: Path, speed: float, seed: int, up: Connection) -> None:
    """Run one such process from start to end. up: is told when the controller is at work."""
    asyncio.run(live(folder, speed, seed, up))


async def live(folder: Path, speed: float, seed: int, up: Connection) -> None:
    plan = pickle.loads((folder / "plan.pickle").read_bytes())
    setup = Setup(spec=plan.rig, data=folder, speed=speed, seed=seed)
    # The estimator proper would take half of the test's time.
    async with open_application(setup, light) as house:
        service, clock = house.service, house.clock
        up.send("up")
        ask = service.command

        async def heard(command: Command) -> Answer:
            """Write the acknowledged events, and no others, to a file of their own."""
            answer = await ask(command)
            with (folder / "heard").open("a", encoding="utf-8") as file:
                file.write(f"{command.key}\t{answer.event_id}\t{answer.sentence}\n")
            return answer

        service.command = heard  # type: ignore[method-assign]
        if house.supervisor.state is None:
            await heard(Command(key="start", order=StartOwn(plan=plan)))
        if house.twin is None or house.board is None:
            raise SystemExit("the pty board is simulated")
        twin = house.twin
        operator = Operator(
            service,
            clock,
            house.hand.press,
            house.board.set_guard,
            seed=seed,
            habits=HABITS,
            touched_coat=lambda: twin.coat_gelled(clock.now_s()),
        )
        await operator.work()
