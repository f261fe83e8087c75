"""Compiles the board's firmware for this machine, once per state of its source."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from firmware_bridge.contract import BridgeError

SOURCE = Path(__file__).resolve().parents[1] / "hardware" / "firmware"
CORE = ("core/frames.c", "core/motion.c", "core/board.c")
# A simulated board may run many times faster than life: its queue is deep, its answers many.
_HOST_FLAGS = ("-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-DQUEUE_RAMPS=1024",
               "-DREPLIES_PER_SLICE=255")  # fmt: skip


class ToolMissing(BridgeError):
    """A compiler is not installed; the message says what to type."""


class BuildFailed(BridgeError):
    """The compiler refused the source."""


@dataclass(frozen=True, slots=True)
class HostFirmware:
    """The core as a library in virtual time, and as a program on a pseudo-terminal."""

    library: Path
    program: Path


def cache_folder() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "evenwall" / "firmware"


def source_key(*extra: str) -> str:
    """One key for the state of the whole firmware source and these words."""
    digest = hashlib.sha256()
    for path in sorted(SOURCE.rglob("*.[ch]")):
        digest.update(path.relative_to(SOURCE).as_posix().encode() + b"\0" + path.read_bytes())
    for word in extra:
        digest.update(word.encode() + b"\0")
    return digest.hexdigest()[:16]


def compiler(name: str, package: str) -> str:
    """The full path of a tool. Raises ToolMissing with the command that installs it."""
    found = shutil.which(name)
    if found is None:
        raise ToolMissing(
            f"no {name} on this machine, the firmware cannot be compiled: "
            f"sudo apt-get install -y {package}"
        )
    return found


def compile_to(target: Path, command: list[str]) -> Path:
    """Run a compiler command and move its one output into place whole."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
        fresh = Path(scratch) / target.name
        done = subprocess.run(
            [*command, "-o", str(fresh)], capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise BuildFailed(f"{command[0]} failed:\n{done.stderr}")
        fresh.replace(target)
    return target


def host_firmware() -> HostFirmware:
    """Build what is not in the cache yet. Raises ToolMissing, BuildFailed."""
    folder = cache_folder() / source_key(*_HOST_FLAGS)
    library, program = folder / "libboard.so", folder / "evenwall-board"
    sources = [str(SOURCE / name) for name in (*CORE, "port_host/simboard_host.c")]
    includes = [f"-I{SOURCE / 'core'}", f"-I{SOURCE / 'port_host'}"]
    if not library.exists() or not program.exists():
        cc = compiler("cc", "gcc libc6-dev")
        common = [cc, *_HOST_FLAGS, *includes, *sources]
        compile_to(library, [*common, "-shared", "-fPIC"])
        compile_to(program, [*common, str(SOURCE / "port_host/pty_main.c")])
    return HostFirmware(library, program)
