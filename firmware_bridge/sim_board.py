"""Simulated boards and the electrical side of their pins.

`VirtualBoard` is the firmware in this process, in virtual time; `PtyBoard` is the same firmware as
a program whose serial port is a pseudo-terminal, reached like a board on USB.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import socket
import subprocess
import tempfile
import weakref
from pathlib import Path
from types import TracebackType

from evenwall_bridge.build import host_firmware
from evenwall_bridge.contract import Clock, LinkLost
from evenwall_bridge.motion import CYCLES_PER_S

AXES = {"major": 0, "minor": 1}
RESET_CAUSES = {"power_on": 0, "external": 1, "brown_out": 2, "watchdog": 3}
_READ_BYTES = 65_536


class _Library:
    """The C functions of one simulated-board library (see port_host/simboard.h)."""

    def __init__(self, path: Path) -> None:
        c = ctypes.CDLL(str(path))
        handle, size, i32 = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int32
        self.new = c.simboard_new
        self.new.restype, self.new.argtypes = handle, [ctypes.c_char_p]
        self.free = c.simboard_free
        self.free.restype, self.free.argtypes = None, [handle]
        self.reset = c.simboard_reset
        self.reset.restype, self.reset.argtypes = None, [handle, ctypes.c_int]
        self.run = c.simboard_run
        self.run.restype, self.run.argtypes = None, [handle, ctypes.c_uint64]
        self.feed = c.simboard_feed
        self.feed.restype, self.feed.argtypes = size, [handle, ctypes.c_char_p, size]
        self.read = c.simboard_read
        self.read.restype, self.read.argtypes = size, [handle, ctypes.c_char_p, size]
        self.steps = c.simboard_steps
        self.steps.restype, self.steps.argtypes = None, [handle, ctypes.POINTER(i32)]
        self.enabled = c.simboard_enabled
        self.enabled.restype, self.enabled.argtypes = ctypes.c_int, [handle]
        self.set_guard = c.simboard_set_guard
        self.set_guard.restype, self.set_guard.argtypes = None, [handle, ctypes.c_int]
        self.set_driver_fault = c.simboard_set_driver_fault
        self.set_driver_fault.restype = None
        self.set_driver_fault.argtypes = [handle, ctypes.c_int, ctypes.c_int]
        self.slip = c.simboard_slip
        self.slip.restype, self.slip.argtypes = None, [handle, ctypes.c_int, i32]
        self.set_index = c.simboard_set_index
        self.set_index.restype = None
        self.set_index.argtypes = [handle, ctypes.c_int, i32, i32]


class VirtualBoard:
    """Firmware in this process. It follows the clock: every query first advances it to now.

    Meets `contract.BoardPins`. library: another build of the same functions; image: the chip's
    own binary for a library that simulates a chip.
    """

    def __init__(self, clock: Clock, library: Path | None = None, image: Path | None = None):
        self._clock = clock
        self._c = _Library(library or host_firmware().library)
        self._board = self._c.new(None if image is None else os.fsencode(image))
        if not self._board:
            raise LinkLost(f"the simulated board cannot start {image}")
        self._free = weakref.finalize(self, self._c.free, self._board)
        self._start_s = self._woke_s = clock.now_s()
        self._buffer = ctypes.create_string_buffer(_READ_BYTES)
        self._steps = (ctypes.c_int32 * 2)()

    def sync(self) -> None:
        """Run the board up to the clock's now."""
        elapsed_s = self._clock.now_s() - self._start_s
        self._c.run(self._board, int(elapsed_s * CYCLES_PER_S + 0.5))

    def feed(self, data: bytes) -> None:
        self._c.feed(self._board, data, len(data))

    def read(self) -> bytes:
        count = self._c.read(self._board, self._buffer, _READ_BYTES)
        return ctypes.string_at(self._buffer, count)

    def reset(self, cause: str = "power_on") -> None:
        """Cut the power and restore it; `cause` is one of RESET_CAUSES."""
        self.sync()
        self._c.reset(self._board, RESET_CAUSES[cause])
        self._woke_s = self._clock.now_s()

    def steps(self) -> tuple[int, int]:
        self.sync()
        self._c.steps(self._board, self._steps)
        return self._steps[0], self._steps[1]

    def enabled(self) -> bool:
        self.sync()
        return bool(self._c.enabled(self._board))

    def set_guard(self, closed: bool) -> None:
        self.sync()
        self._c.set_guard(self._board, closed)

    def set_driver_fault(self, axis: str, on: bool) -> None:
        self.sync()
        self._c.set_driver_fault(self._board, AXES[axis], on)

    def slip(self, axis: str, steps: int) -> None:
        self.sync()
        self._c.slip(self._board, AXES[axis], steps)

    def set_index(self, axis: str, steps_per_turn: int, at_steps: int = 0) -> None:
        """Fit an index switch that is met once a turn, at this mechanical position."""
        self.sync()
        self._c.set_index(self._board, AXES[axis], steps_per_turn, at_steps)


class PtyBoard:
    """The firmware as a program on a pseudo-terminal, at `speed` times real time.

    `port` is what SerialRig opens. Meets `contract.BoardPins`. folder: the folder of the port and
    the pins' socket; by default a new one. detached: the board outlives this process, and the next
    PtyBoard on the same folder joins it, turning or not; `stop` ends it. Otherwise it ends with
    this process, in every case.

    >>> with PtyBoard(speed=60) as board:  # doctest: +SKIP
    ...     rig = SerialRig(board.port, SystemClock(60), speed=60)
    """

    def __init__(
        self,
        speed: float = 1.0,
        folder: Path | None = None,
        detached: bool = False,
        program: Path | None = None,
        image: Path | None = None,
    ) -> None:
        if detached and folder is None:
            raise ValueError("folder: a detached board needs one, so that it can be found again")
        self._scratch = tempfile.TemporaryDirectory(prefix="evenwall-") if folder is None else None
        self.folder = Path(self._scratch.name) if self._scratch else Path(str(folder))
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = str(self.folder / "board")
        self.outlives = False  # a detached board goes on even if this process ends normally
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self._pins = self._connect() if detached else None
        if self._pins is not None and float(self._ask("speed")) != speed:
            self.stop()  # left by a run at another pace
        self.joined = self._pins is not None
        if self._pins is None:
            self._start(speed, detached, program or host_firmware().program, image)
            self._pins = self._connect()
            if self._pins is None:
                raise LinkLost(f"the simulated board does not answer in {self.folder}")

    def _start(self, speed: float, detached: bool, program: Path, image: Path | None) -> None:
        # Names in its own folder, for a socket's path must be short.
        command = [str(program), "--link", "board", "--pins", "pins", "--speed", repr(float(speed))]
        command += ["--image", str(image)] if image else []
        command += ["--detached"] if detached else []
        self._process = subprocess.Popen(
            command,
            cwd=self.folder,
            stdin=subprocess.DEVNULL if detached else subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        stdout = self._process.stdout
        if stdout is None or stdout.readline() != b"ready\n":
            self.stop()
            raise LinkLost(f"the simulated board did not start in {self.folder}")
        stdout.close()
        if detached:  # the program left a child behind and ended
            self._process.wait()
            self._process = None

    def _connect(self) -> socket.socket | None:
        pins = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        pins.settimeout(10.0)
        folder = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            pins.connect(f"/proc/self/fd/{folder}/pins")
        except OSError:
            pins.close()
            return None
        finally:
            os.close(folder)
        return pins

    def _ask(self, line: str) -> str:
        if self._pins is None:
            raise LinkLost("the simulated board is stopped")
        try:
            self._pins.sendall(line.encode() + b"\n")
            while b"\n" not in self._rest:
                data = self._pins.recv(256)
                if not data:
                    raise LinkLost("the simulated board is gone")
                self._rest += data
        except OSError as error:
            raise LinkLost(f"the simulated board is gone: {error}") from None
        answer, _, self._rest = self._rest.partition(b"\n")
        return answer.decode()

    def steps(self) -> tuple[int, int]:
        major, minor = self._ask("steps").split()
        return int(major), int(minor)

    def enabled(self) -> bool:
        return self._ask("enabled") == "1"

    def set_guard(self, closed: bool) -> None:
        self._ask(f"guard {closed:d}")

    def set_driver_fault(self, axis: str, on: bool) -> None:
        self._ask(f"driver {AXES[axis]} {on:d}")

    def slip(self, axis: str, steps: int) -> None:
        self._ask(f"slip {AXES[axis]} {steps}")

    def set_index(self, axis: str, steps_per_turn: int, at_steps: int = 0) -> None:
        """Fit an index switch that is met once a turn, at this mechanical position."""
        self._ask(f"index {AXES[axis]} {steps_per_turn} {at_steps}")

    def reset(self, cause: str = "power_on") -> None:
        """Cut the power and restore it; `cause` is one of RESET_CAUSES."""
        self._ask(f"reset {RESET_CAUSES[cause]}")

    @property
    def pid(self) -> int | None:
        """Process id of the program, if this process started it."""
        return self._process.pid if self._process is not None else None

    def leave(self) -> None:
        """Leave a detached board, which keeps turning."""
        if self._pins is not None:
            self._pins.close()
            self._pins = None

    def end(self) -> None:
        """Leave the board if it is to outlive this process, otherwise end it."""
        if self.outlives:
            self.leave()
        else:
            self.stop()

    def stop(self) -> None:
        """End the board. Safe to call twice."""
        if self._pins is not None:
            with contextlib.suppress(LinkLost, OSError):
                self._ask("quit")
                # End-of-file comes when it has removed its names and ended.
                self._pins.recv(1)
                # Wait for its end: the next board on this folder must not join a dying one.
                with contextlib.suppress(OSError):
                    while self._pins.recv(256):
                        pass
            self.leave()
        if self._process is not None:
            if self._process.stdin is not None:
                self._process.stdin.close()
            if self._process.stdout is not None:
                self._process.stdout.close()
            try:
                self._process.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None
        if self._scratch is not None:
            self._scratch.cleanup()

    def __enter__(self) -> PtyBoard:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
