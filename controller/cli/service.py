"""The facade with its planners, each in a separate process."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from evenwall.devices.interfaces import Press
from evenwall.history.photos import FOLDER as PHOTOS
from evenwall.run.supervisor import Supervisor
from evenwall.service.casting_files import CastingFiles
from evenwall.service.facade import Service
from evenwall.service.mountings import Mountings
from evenwall.service.run_files import Papers
from evenwall.service.simulated_hands import SimulatedHands
from evenwall.worker_process import in_worker


def service_of(
    supervisor: Supervisor,
    castings: Path,
    plan_budget_s: float | None,
    memories: dict[str, Any],
    data: Path,
) -> Service:
    """Return the facade.

    plan_budget_s: time for a plan requested on the panel; None: a full search, after a rough plan.
    data: folder of the record, beside which photographs are kept.
    """
    drawn = partial(in_worker, "evenwall.reports.papers")
    plan = partial(in_worker, "evenwall.planning", "make_plan")
    rough = partial(in_worker, "evenwall.planning.first_answer", "first_plan")
    service = Service(
        supervisor,
        castings,
        partial(plan, time_budget_s=plan_budget_s),
        rough_planner=rough if plan_budget_s is None else None,
        replanner=partial(in_worker, "evenwall.planning", "replan"),
        wall_mesh=partial(in_worker, "evenwall.planning.wall", "wall_mesh"),
        wall_again=partial(in_worker, "evenwall.planning.wall_as_laid", "wall_as_laid"),
        live_wall=partial(in_worker, "evenwall.planning.live_wall", "foresee"),
        answer=partial(in_worker, "evenwall.planning.spin_change", "answer"),
        read_wall=partial(in_worker, "evenwall.planning.measured_wall", "read_wall"),
        memories=memories,
        papers=Papers(
            plan=partial(drawn, "plan_pdf"),
            run=partial(drawn, "run_pdf"),
            wall=partial(drawn, "wall_png"),
        ),
        photos=data / PHOTOS,
        stoppable=True,
    )
    casting_of = partial(CastingFiles(castings, service.notice).casting, overrides={})
    compare = partial(in_worker, "evenwall.reports.mountings", "compared")
    service.mountings = Mountings(casting_of, supervisor.spec, compare)
    return service


class Guarded(Protocol):
    """Simulated board with a guard that can be opened and closed."""

    def set_guard(self, closed: bool) -> None: ...


def simulated_hands(
    service: Service, press: Callable[[Press], None], board: Guarded | None
) -> SimulatedHands | None:
    """Return the hands at a simulated frame; None for a real one, which needs a person."""
    if board is None:
        return None
    return SimulatedHands(
        press=lambda held: press(Press.LONG if held else Press.NEXT),
        guard=lambda: board.set_guard(not service.snapshot().frame.guard_closed),
    )
