"""Work in a separate process: its results, its errors, and its end."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from evenwall.errors import EvenwallError, InputError
from evenwall.model import ProbeSpec
from evenwall.run.gel_monitor import Estimator, EstimatorApart, gel_case
from evenwall.worker_process import Limits, WorkerProcess, end_all, in_worker
from evenwall_bridge.clock import block
from tests.support.virtual_shop import SAMPLES, lantern_plan, sample_rig


def children() -> set[str]:
    return set(Path("/proc/self/task").joinpath(str(os.getpid()), "children").read_text().split())


def test_what_it_gives_and_raises_comes_back() -> None:
    before = children()
    casting = in_worker("evenwall.model", "read_casting", SAMPLES / "lantern-globe.toml")
    assert casting == lantern_plan().casting
    with pytest.raises(InputError, match=r"nowhere\.toml") as raised:
        in_worker("evenwall.model", "read_casting", Path("nowhere.toml"))
    assert raised.value.exit_code == 2
    assert children() == before


def test_the_same_plan_from_another_process() -> None:
    told: list[tuple[float, str]] = []
    plan = in_worker(
        "evenwall.planning",
        "make_plan",
        lantern_plan().casting,
        sample_rig(),
        time_budget_s=0.0,
        progress=lambda part, words: told.append((part, words)),
    )
    assert plan == lantern_plan()
    assert told[0] == (0.0, "reading the mould")
    assert told[-1] == (1.0, "done")


def test_a_process_that_dies_is_told_in_one_line() -> None:
    with pytest.raises(EvenwallError, match="_exit ended early, with code 9"):
        in_worker("os", "_exit", 9)


def test_a_process_that_dies_in_the_middle_of_a_word_is_told_in_one_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The kernel ends it at any point when memory is short."""
    word = pickle.dumps(("done", "x" * 1000))[:500]
    code = f"import sys; sys.stdin.buffer.read(1); sys.stdout.buffer.write({word!r})"
    popen = subprocess.Popen
    monkeypatch.setattr(
        subprocess, "Popen", lambda _, **pipes: popen([sys.executable, "-c", code], **pipes)
    )
    with pytest.raises(EvenwallError, match="getpid ended early, with code 0"):
        in_worker("os", "getpid")


def test_a_process_that_cannot_be_started_is_told_in_one_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """fork(2) fails with ENOMEM; a supervisor that took this for its own fault would restart."""

    def short_of_memory(*_: object, **__: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(subprocess, "Popen", short_of_memory)
    with pytest.raises(EvenwallError, match="no process for os: Cannot allocate memory"):
        in_worker("os", "getpid")


def test_whoever_waits_is_let_go_when_all_is_ended() -> None:
    heard: list[EvenwallError] = []

    def wait() -> None:
        try:
            in_worker("evenwall_bridge.clock", "block", 600.0)
        except EvenwallError as error:
            heard.append(error)

    before = children()
    waiting = threading.Thread(target=wait)
    waiting.start()
    while waiting.is_alive():
        end_all()
        block(0.01)
    assert "block ended early" in str(heard[0])
    assert children() == before


def test_an_estimator_apart_thinks_like_one_at_home() -> None:
    plan = lantern_plan()
    case = gel_case(plan, plan.coats[0], ProbeSpec(), 285.0)
    home, away = Estimator(case), EstimatorApart()(case)
    rows = [(float(time_s), 24.0 + 0.01 * time_s, 21.0) for time_s in range(300, 340, 4)]
    for row in rows:
        assert away.feed([row]) == home.feed([row])
    assert away.touched("cup", 345.0) == home.touched("cup", 345.0)
    end_all()
    with pytest.raises(EvenwallError, match="feed ended early"):
        away.feed([(400.0, 25.0, 21.0)])


def test_one_process_estimates_coat_after_coat_and_is_begun_anew_when_it_died() -> None:
    """On a busy machine its start takes as long as a coat of a fast demo turns."""
    plan = lantern_plan()
    before = children()
    estimators = EstimatorApart()
    process = children() - before
    assert len(process) == 1, "begun before there is a coat"
    first, second = (gel_case(plan, coat, ProbeSpec(), 285.0) for coat in plan.coats[:2])
    row = (300.0, 24.0, 21.0)
    for case in (first, second):
        assert estimators(case).feed([row]) == Estimator(case).feed([row])
        assert estimators.batch() is None, "what the coat before has taught is past"
        estimators.touched("cup", 345.0)
        assert estimators.batch() is not None
        estimators.end()
        assert children() - before == process
    pid = int(process.pop())
    assert os.getpriority(os.PRIO_PROCESS, pid) == os.getpriority(os.PRIO_PROCESS, 0)
    os.kill(pid, signal.SIGKILL)
    with pytest.raises(EvenwallError, match="feed ended early"):
        estimators.feed([row])
    assert estimators(first).feed([row]) == Estimator(first).feed([row])
    end_all()
    assert children() == before


def test_its_print_goes_to_standard_error(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PYTHONUNBUFFERED", raising=False)
    process = WorkerProcess("builtins")
    process.ask("print", "aside")
    process.end()
    assert capfd.readouterr() == ("", "aside\n")


def test_what_serves_a_rig_loads_no_mesher_and_no_plotter() -> None:
    """They would cost it more than a hundred megabytes: they belong to processes that end."""
    code = "import sys, evenwall.cli.serving, evenwall.cli.demo; print(*sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"trimesh", "matplotlib", "pyarrow", "numba", "evenwall.planning.make"}
    assert heavy.isdisjoint(told.stdout.split())


def test_it_opens_no_connection(tmp_path: Path) -> None:
    """Neither over the network nor to this machine's own ports: EACCES of socket(2)."""
    for where, name, args in (
        ("socket", "create_connection", (("127.0.0.1", 9),)),
        ("socket", "socket", ()),
        ("urllib.request", "urlopen", ("http://127.0.0.1:9/",)),
    ):
        with pytest.raises(EvenwallError, match="ended early, with code 1"):
            in_worker(where, name, *args)
    assert in_worker("socket", "has_dualstack_ipv6") is False  # it asks for a socket, and has none


def test_it_ends_in_one_line_where_it_wants_too_much(tmp_path: Path) -> None:
    small = Limits(memory_MB=600, processor_s=1, file_MB=1)

    def ask(where: str, name: str, *args: object) -> None:
        process = WorkerProcess(where, limits=small)
        try:
            process.ask(name, *args)
        finally:
            process.end()

    with pytest.raises(EvenwallError, match="more memory than allowed"):
        ask("builtins", "bytearray", 700_000_000)
    with pytest.raises(EvenwallError, match="more processor time than allowed"):
        ask("math", "factorial", 10**7)
    with pytest.raises(EvenwallError, match="ended early"):
        ask("os", "truncate", _file_of(tmp_path / "large", 10), 2_000_000)


def _file_of(path: Path, size: int) -> Path:
    path.write_bytes(bytes(size))
    return path


def test_its_rights_are_given_up_for_ever() -> None:
    """/proc/PID/status, proc(5): no new privileges, and a filter of system calls."""
    said = in_worker("evenwall.model.untrusted", "read_text", Path("/proc/self/status"), 100_000)
    assert "NoNewPrivs:\t1" in said
    assert "Seccomp:\t2" in said
    score = in_worker(
        "evenwall.model.untrusted", "read_text", Path("/proc/self/oom_score_adj"), 100
    )
    assert int(score) == 500


def test_a_process_may_be_ended_by_two_threads_while_a_third_waits_for_its_answer() -> None:
    """A pipe that two threads close at once, with a call left in its buffer, raised ValueError
    when a busy application ended. One thread at a time closes it now."""
    with ThreadPoolExecutor(3) as threads:
        for _ in range(3):
            process = WorkerProcess("time")
            waits = threads.submit(process.ask, "sleep", 60.0)
            block(0.2)  # until it reads: nothing tells that from outside
            ends = [threads.submit(process.end) for _ in range(2)]
            for end in ends:
                end.result(10.0)
            with pytest.raises(EvenwallError, match="ended early"):
                waits.result(10.0)
            assert process.ended
