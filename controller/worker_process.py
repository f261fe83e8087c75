"""Worker processes: functions and objects in a separate process, called from a thread.

Planning, the film and the gel's estimator bring a mesher, an optimiser and more than a hundred
megabytes, and they hold the interpreter's lock for milliseconds at a time. The process that turns
the frame loads none of them.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import astuple, dataclass
from importlib import import_module
from io import TextIOWrapper
from typing import Any

from evenwall.confined import without_network
from evenwall.errors import EvenwallError

FINISH = signal.SIGUSR1  # asks for the best result so far
NICENESS = 10  # lower priority than the process that turns the frame
MB = 1_000_000
# The matrices are small. Several threads for linear algebra only wait for each other, and took half
# the processor time of a gel estimate.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
RETURNS_S = 5.0  # longest time until a thread finds that its process was killed
ENDED_FIRST = 500  # value of oom_score_adj, proc(5); the service has -500
Progress = Callable[[float, str], None]

_at_work: set[WorkerProcess] = set()


@dataclass(frozen=True)
class Limits:
    """Resources that a worker process may use (setrlimit, POSIX.1-2017). A full search for a plan
    takes 0.5 GB of address space, a scan of a million triangles 1.5 GB."""

    memory_MB: int = 3000  # address space
    processor_s: int = 7200
    file_MB: int = 1000  # size of one file that it writes
    descriptors: int = 256

    def words(self) -> tuple[str, ...]:
        return tuple(str(value) for value in astuple(self))

    def apply(self) -> None:
        """Limit this process permanently. It may also open no connection and gain no rights."""
        for which, most in (
            (resource.RLIMIT_AS, self.memory_MB * MB),
            (resource.RLIMIT_CPU, self.processor_s),
            (resource.RLIMIT_FSIZE, self.file_MB * MB),
            (resource.RLIMIT_NOFILE, self.descriptors),
            (resource.RLIMIT_CORE, 0),
        ):
            _, hard = resource.getrlimit(which)
            most = most if hard == resource.RLIM_INFINITY else min(most, hard)
            # SIGXCPU at the soft limit shows why it ended; SIGKILL at the hard one would not.
            spare = 5 if which == resource.RLIMIT_CPU and hard == resource.RLIM_INFINITY else 0
            resource.setrlimit(which, (most, most + spare))
        without_network()
        # If memory is short, the kernel ends this process before the one that feeds the board.
        with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as score:
            score.write(str(ENDED_FIRST))


USUAL = Limits()


class WorkerProcess:
    """A process that makes calls on its subject, one at a time. The subject is first a module, then
    the object last made from it (`become`). It ends with `end`, or with this process."""

    def __init__(self, where: str, niceness: int = NICENESS, limits: Limits = USUAL) -> None:
        """Start the process. where: the module's name. Raises EvenwallError if it cannot start."""
        itself = (sys.executable, "-m", "evenwall.worker_process")
        command = (*itself, where, str(niceness), *limits.words())
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=ONE_THREAD | os.environ,
            )
        except OSError as error:
            raise EvenwallError(f"no process for {where}: {error.strerror}") from None
        self._asking = threading.RLock()  # held while a thread waits for an answer
        _at_work.add(self)

    def ask(self, name: str, *args: Any, progress: Progress | None = None, **more: Any) -> Any:
        """Call this function or method and wait for its result. progress: passed on.

        Raises the call's own EvenwallErrors, and EvenwallError when the process ends without an
        answer: killed, or out of memory.
        """
        return self._ask(name, args, more, progress, become=False)

    def become(self, name: str, *args: Any) -> None:
        """Call this function of the module, and make its result the new subject. Raises as
        `ask`."""
        self._ask(name, args, {}, None, become=True)

    def _ask(
        self,
        name: str,
        args: tuple[Any, ...],
        more: dict[str, Any],
        progress: Progress | None,
        *,
        become: bool,
    ) -> Any:
        to, back = self._process.stdin, self._process.stdout
        try:
            if to is None or back is None:
                raise EOFError
            with self._asking:
                pickle.dump((name, args, more, progress is not None, become), to)
                to.flush()
                while True:
                    kind, value = pickle.load(back)
                    if kind == "error":
                        raise value
                    if kind == "done":
                        return value
                    if progress is not None:
                        progress(*value)
        # UnpicklingError: killed in the middle of an answer. ValueError: the pipe was closed by
        # `end`.
        except (EOFError, BrokenPipeError, pickle.UnpicklingError, ValueError):
            code = self._process.wait()
            if code == -signal.SIGXCPU:
                raise EvenwallError(f"{name} used more processor time than allowed") from None
            raise EvenwallError(f"{name} ended early, with code {code}") from None

    @property
    def ended(self) -> bool:
        """Whether the process has ended, by `end` or by itself."""
        return self._process.poll() is not None

    def finish(self) -> None:
        """Interrupt the work at its next report of progress, as Ctrl-C would: a search returns its
        best so far. Does nothing to a process that has ended."""
        self._process.send_signal(FINISH)

    def end(self) -> None:
        """End the process; a thread that waits for an answer returns. May be called again."""
        _at_work.discard(self)
        self._process.kill()
        self._process.wait()
        # A thread that reads finds the end of the pipe now. Its buffer may not be closed under it.
        free = self._asking.acquire(timeout=RETURNS_S)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()
        if free:
            self._asking.release()


class Stopper:
    """Handle on work in a worker process, for another thread. `finish` asks the work for its best
    so far at its next report of progress, `end` ends it. Either may come before the work begins."""

    def __init__(self) -> None:
        self.finishing = False
        self.ended = False
        self._process: WorkerProcess | None = None

    def holds(self, process: WorkerProcess) -> None:
        """Attach a process. Raises EvenwallError if this handle was stopped before."""
        self._process = process
        if self.ended or self.finishing:
            raise EvenwallError("it was stopped before it began")

    def finish(self) -> None:
        """Ask the work for its best so far."""
        self.finishing = True
        if self._process is not None:
            self._process.finish()

    def end(self) -> None:
        """End the work without an answer."""
        self.ended = True
        if self._process is not None:
            self._process.end()


def in_worker(
    where: str, name: str, *args: Any, stopper: Stopper | None = None, **more: Any
) -> Any:
    """Call function `name` of module `where` in a process that ends with the call.

    Raises as `WorkerProcess.ask`.
    """
    process = WorkerProcess(where)
    try:
        if stopper is not None:
            stopper.holds(process)
        return process.ask(name, *args, **more)
    finally:
        process.end()


def end_all() -> None:
    """End all processes that are still at work."""
    for process in list(_at_work):
        process.end()


def _called(do: Callable[..., Any], args: tuple[Any, ...], more: dict[str, Any]) -> Any:
    """Call the function. Raises EvenwallError if `finish` came before there was any result."""
    try:
        return do(*args, **more)
    except KeyboardInterrupt:
        raise EvenwallError("it was stopped before it had an answer") from None


def main() -> None:
    """Run the worker process: calls come on standard input, answers go to standard output, and
    printed text goes to standard error."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, who ends us
    finishing: list[int] = []
    signal.signal(FINISH, lambda number, _: finishing.append(number))
    with contextlib.suppress(OSError):
        os.nice(int(sys.argv[2]))
    pipe = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    if isinstance(sys.stdout, TextIOWrapper):  # a pipe's buffer would die with this process
        sys.stdout.reconfigure(line_buffering=True)

    def say(kind: str, value: Any) -> None:
        pickle.dump((kind, value), pipe)
        pipe.flush()

    def progress(fraction: float, words: str) -> None:
        say("progress", (fraction, words))
        if finishing:
            finishing.clear()
            raise KeyboardInterrupt

    Limits(*map(int, sys.argv[3:])).apply()
    module: Any = import_module(sys.argv[1])
    subject = module
    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            name, args, more, tells, become = pickle.load(sys.stdin.buffer)
            if tells:
                more["progress"] = progress
            try:
                found = _called(getattr(module if become else subject, name), args, more)
            except EvenwallError as error:
                say("error", error)
                continue
            except MemoryError:
                say("error", EvenwallError(f"{name} needs more memory than allowed"))
                return
            if become:
                subject, found = found, None
            say("done", found)


if __name__ == "__main__":
    main()
