"""An executor whose jobs wait until they are told to be done."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from functools import partial
from typing import Any

from evenwall.errors import PlanError


class Slowly(Executor):
    """Runs its jobs only when told to."""

    def __init__(self) -> None:
        self.jobs: list[tuple[Callable[[], Any], Future[Any]]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        self.jobs.append((partial(fn, *args, **more), Future()))
        return self.jobs[-1][1]

    def do(self, number: int) -> None:
        work, done = self.jobs[number]
        try:
            done.set_result(work())
        except PlanError as error:
            done.set_exception(error)
