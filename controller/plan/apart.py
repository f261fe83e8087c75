"""Planning in a process of its own, so that an event loop that turns a frame is never late for it.

Inside that process films are computed on threads: the compiled kernel runs without the interpreter.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from controller.errors import EvenwallError
from controller.model import Plan

NICER = 5  # the frame comes first


class Apart:
    """Wraps `make_plan` and `replan`: the same call, run in a process made for it.

    Blocks its caller's thread meanwhile; `progress` is called on that thread. `close` ends what is
    still under way.
    """

    def __init__(self) -> None:
        self.children: set[BaseProcess] = set()
        self._context = multiprocessing.get_context("spawn")  # threads are about: no fork

    def __call__(self, function: Callable[..., Plan]) -> Callable[..., Plan]:
        return partial(self._run, function)

    def close(self) -> None:
        for child in list(self.children):
            child.kill()

    def _run(
        self,
        function: Callable[..., Plan],
        *args: Any,
        progress: Callable[[float, str], None] | None = None,
        **kwargs: Any,
    ) -> Plan:
        ours, theirs = self._context.Pipe(duplex=False)
        child = self._context.Process(
            target=_work, args=(theirs, function, args, kwargs), name="planner", daemon=True
        )
        child.start()
        theirs.close()
        self.children.add(child)
        try:
            while True:
                said = ours.recv()
                if isinstance(said, EvenwallError):
                    raise said
                if isinstance(said, Plan):
                    return said
                if progress is not None:
                    progress(*said)
        except EOFError:
            child.join()
            raise EvenwallError(
                f"the planner's process ended without a plan (exit code {child.exitcode})"
            ) from None
        finally:
            ours.close()
            child.join()
            self.children.discard(child)


def _work(
    pipe: Connection, function: Callable[..., Plan], args: tuple[Any, ...], kwargs: dict[str, Any]
) -> None:
    # Ctrl-C goes to every process of a terminal; the one that asked decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICER)

    def progress(fraction: float, words: str) -> None:
        pipe.send((fraction, words))

    try:
        pipe.send(function(*args, progress=progress, **kwargs))
    except EvenwallError as error:
        pipe.send(error)
