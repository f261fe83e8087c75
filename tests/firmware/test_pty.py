"""The board as a program on a pseudo-terminal: its start and end, its port, its speed."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import signal
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path

import pytest

from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import LinkLost, Mode, Ramp, RigState
from evenwall_bridge.motion import SLICE_S, FrameLimits, predict_steps
from evenwall_bridge.serial_rig import SerialRig
from evenwall_bridge.sim_board import PtyBoard

from . import waiting

LIMITS = FrameLimits(accel_limit_rpm_s=20.0)
ROOT = Path(__file__).parents[2]
SWINGING = [Ramp(1.0, 8.0 + (i % 3), 4.0 - (i % 5)) for i in range(110)] + [Ramp(1.0, 0.0, 0.0)]


async def until(rig: SerialRig, met: Callable[[RigState], bool]) -> RigState:
    async with asyncio.timeout(20.0):
        return await waiting.until(rig, met)


async def ended(pid: int) -> None:
    """Wait for a process that is not ours to be gone (or to be only its parent's memory)."""
    clock = SystemClock()
    stat = Path(f"/proc/{pid}/stat")
    with contextlib.suppress(FileNotFoundError, ProcessLookupError):
        while stat.read_text().rsplit(")", 1)[1].split()[0] != "Z":
            assert clock.now_s() < 5.0, f"process {pid} lives on"
            await clock.sleep(0.02)


def test_at_120_times_life_a_run_ends_on_the_step_whatever_the_machine_does() -> None:
    """The board's process is stopped for a third of a second, 40 s of its world, twice."""

    async def work() -> None:
        clock = SystemClock(120.0)
        with PtyBoard(120.0) as board:
            assert board.pid is not None
            rig = SerialRig(board.port, clock, LIMITS, speed=120.0)
            await rig.open()
            await rig.enable(grant_s=600.0)
            await rig.queue(SWINGING)
            for _ in range(2):
                os.kill(board.pid, signal.SIGSTOP)
                await clock.sleep(0.33 * 120.0)
                os.kill(board.pid, signal.SIGCONT)
                await clock.sleep(0.05 * 120.0)
            state = await until(rig, lambda s: s.mode is Mode.HOLDING)
            assert board.steps() == predict_steps(SWINGING, LIMITS)
            assert not state.faults
            await rig.close()

    asyncio.run(work())


def test_rows_of_a_fast_board_are_few_enough_to_live_with() -> None:
    async def work() -> None:
        clock = SystemClock(120.0)
        with PtyBoard(120.0) as board:
            rig = SerialRig(board.port, clock, LIMITS, speed=120.0)
            await rig.open()
            rows = rig.states()
            slices = []
            for _ in range(20):
                await anext(rows)
                slices.append(rig._newest().slice)
            apart_s = [(b - a) * SLICE_S for a, b in itertools.pairwise(slices) if a != b]
            assert min(apart_s) == pytest.approx(120.0 / 200.0, abs=SLICE_S)
            await rig.close()

    asyncio.run(work())


def test_the_port_is_held_by_one_host() -> None:
    async def work() -> None:
        with PtyBoard() as board:
            rig = SerialRig(board.port, SystemClock(), LIMITS)
            await rig.open()
            other = SerialRig(board.port, SystemClock(), LIMITS)
            with pytest.raises(LinkLost, match=r"board"):
                await other.open()
            await rig.close()
            await other.open()
            await other.close()

    asyncio.run(work())


def test_closing_the_port_leaves_the_reset_line_alone() -> None:
    """DTR falls at close only when HUPCL is set (termios(3)); it would reset a real board."""

    async def work() -> None:
        with PtyBoard() as board:
            rig = SerialRig(board.port, SystemClock(), LIMITS)
            await rig.open()
            await rig.close()
            fd = os.open(board.port, os.O_RDWR | os.O_NOCTTY)
            assert not termios.tcgetattr(fd)[2] & termios.HUPCL
            os.close(fd)

    asyncio.run(work())


def test_no_board_at_the_port_is_one_clear_line() -> None:
    async def work() -> None:
        rig = SerialRig("/dev/evenwall-nowhere", SystemClock(), LIMITS)
        with pytest.raises(LinkLost, match="/dev/evenwall-nowhere"):
            await rig.open()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(work())


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    async def work() -> None:
        clock = SystemClock(20.0)
        board = PtyBoard(20.0, folder=tmp_path)
        rig = SerialRig(board.port, clock, LIMITS, speed=20.0)
        await rig.open()
        await rig.enable(grant_s=60.0)
        board.stop()
        with pytest.raises(LinkLost):  # at once, or when the terminal's end is noticed
            await asyncio.gather(*(rig.hold() for _ in range(3)))
        with PtyBoard(20.0, folder=tmp_path):
            # It comes back by itself; the new board is disabled.
            state = await until(rig, lambda s: s.mode is Mode.DISABLED)
            assert not state.faults
            await rig.enable(grant_s=60.0)
            await rig.close()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(work())


CHILD = """
import sys, signal
from pathlib import Path
from evenwall_bridge.sim_board import PtyBoard
board = PtyBoard(10.0, folder=Path(sys.argv[1]), detached=sys.argv[2] == "detached")
print(board.pid, flush=True)
signal.pause()
"""


def child(folder: Path, how: str) -> tuple[subprocess.Popen[str], int]:
    process = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), how],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    pid = process.stdout.readline().strip()
    process.stdout.close()
    return process, int(pid) if pid.isdigit() else 0


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_the_board_ends_with_its_host_however_that_ends(tmp_path: Path, how: int) -> None:
    host, board_pid = child(tmp_path, "attached")
    os.kill(board_pid, 0)
    host.send_signal(how)
    host.wait(timeout=10)
    asyncio.run(ended(board_pid))


def test_a_detached_board_outlives_its_host_and_is_joined_turning(tmp_path: Path) -> None:
    async def work() -> None:
        clock = SystemClock(10.0)
        host, _ = child(tmp_path, "detached")
        first = SerialRig(str(tmp_path / "board"), clock, LIMITS, speed=10.0)
        await first.open()
        await first.enable(grant_s=600.0)
        ramps = [Ramp(1.0, 8.0, 4.0), Ramp(20.0, 8.0, 4.0)]
        await first.queue(ramps)
        await first.close()
        host.kill()
        host.wait(timeout=10)
        board = PtyBoard(10.0, folder=tmp_path, detached=True)
        assert board.joined
        again = SerialRig(board.port, clock, LIMITS, speed=10.0)
        await again.open()
        assert again.state.mode is Mode.TURNING
        more = [Ramp(1.0, 0.0, 0.0)]
        await again.queue(more)
        await until(again, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(ramps + more, LIMITS)
        await again.close()
        board.stop()
        assert not (tmp_path / "board").exists()
        assert not (tmp_path / "pins").exists()

    asyncio.run(work())


def test_a_detached_board_of_another_pace_is_replaced(tmp_path: Path) -> None:
    deep = tmp_path / ("a-folder-whose-name-is-longer-than-a-socket-likes" * 3)
    slow = PtyBoard(10.0, folder=deep, detached=True)
    slow.leave()
    same = PtyBoard(10.0, folder=deep, detached=True)
    assert same.joined
    same.leave()
    fast = PtyBoard(60.0, folder=deep, detached=True)
    assert not fast.joined
    fast.stop()
