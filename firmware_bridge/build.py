"""Compile the board's firmware for this machine, once per state of its source."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from evenwall_bridge.contract import BridgeError
from evenwall_bridge.pins import c_header, load_pins
from evenwall_bridge.places import BUILT, HARDWARE

SOURCE = HARDWARE / "firmware"
CORE = ("core/frames.c", "core/motion.c", "core/board.c")
# Not errors here: a compiler newer than ours must not stop a demo. The tests make them errors.
_WARNINGS = ("-Wall", "-Wextra")
# A simulated board may run many times faster than real time: its queue is deep, its answers many.
_HOST_FLAGS = ("-std=c99", "-O2", *_WARNINGS, "-DQUEUE_RAMPS=1024", "-DREPLIES_PER_SLICE=255")
_AVR_LINK = ("-flto", "-flto-partition=none", "-Wl,--gc-sections")
_AVR_FLAGS = ("-std=gnu99", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-O2", *_WARNINGS, *_AVR_LINK)


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
    """Return a key for the state of the whole firmware source and these words."""
    digest = hashlib.sha256()
    for path in sorted([*SOURCE.rglob("*.[ch]"), SOURCE / "pins.toml"]):
        digest.update(path.relative_to(SOURCE).as_posix().encode() + b"\0" + path.read_bytes())
    for word in extra:
        digest.update(word.encode() + b"\0")
    return digest.hexdigest()[:16]


def compiler(name: str, package: str) -> str:
    """Return the full path of a tool. Raises ToolMissing with the command that installs it."""
    found = shutil.which(name)
    if found is None:
        raise ToolMissing(
            f"no {name} on this machine, the firmware cannot be compiled: "
            f"sudo apt-get install -y {package}"
        )
    return found


def compile_to(target: Path, command: list[str], flag: tuple[str, ...] = ("-o",)) -> Path:
    """Run a compiler command and move its one output, named last, into place whole."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
        fresh = Path(scratch) / target.name
        done = subprocess.run(
            [*command, *flag, str(fresh)], capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise BuildFailed(f"{command[0]} failed:\n{done.stderr}")
        fresh.replace(target)
    return target


def avr_firmware(*flags: str) -> Path:
    """Build the chip's binary (ELF), `flags` added. Raises ToolMissing, BuildFailed."""
    folder = cache_folder() / source_key(*_AVR_FLAGS, *flags)
    image = folder / "evenwall-atmega328p.elf"
    if not image.exists():
        gcc = compiler("avr-gcc", "gcc-avr avr-libc binutils-avr")
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "pins.h").write_text(c_header(load_pins()), encoding="utf-8")
        sources = [str(SOURCE / name) for name in (*CORE, "port_avr/main.c")]
        includes = [f"-I{SOURCE / 'core'}", f"-I{folder}"]
        compile_to(image, [gcc, *_AVR_FLAGS, *flags, *includes, *sources])
    return image


def host_firmware() -> HostFirmware:
    """Return the firmware for this machine, built if neither the wheel nor the cache has it.

    Raises ToolMissing, BuildFailed.
    """
    key = source_key(*_HOST_FLAGS)
    brought = HostFirmware(BUILT / key / "libboard.so", BUILT / key / "evenwall-board")
    if brought.library.exists() and brought.program.exists():
        return brought
    return build_host(cache_folder() / key)


def build_host(folder: Path) -> HostFirmware:
    """Build the files that this folder lacks. Raises ToolMissing, BuildFailed."""
    library, program = folder / "libboard.so", folder / "evenwall-board"
    sources = [str(SOURCE / name) for name in (*CORE, "port_host/simboard_host.c")]
    includes = [f"-I{SOURCE / 'core'}", f"-I{SOURCE / 'port_host'}"]
    if not library.exists() or not program.exists():
        cc = compiler("cc", "gcc libc6-dev")
        common = [cc, *_HOST_FLAGS, *includes, *sources]
        compile_to(library, [*common, "-shared", "-fPIC"])
        compile_to(program, [*common, str(SOURCE / "port_host/pty_main.c")])
    return HostFirmware(library, program)


def build_for_wheel(folder: Path) -> HostFirmware:
    """Build into the folder `built` of a wheel, where `host_firmware` looks first."""
    return build_host(folder / source_key(*_HOST_FLAGS))


def main() -> None:
    """`make firmware`: build both, print their paths and the command that flashes the chip."""
    host, chip = host_firmware(), avr_firmware()
    objcopy = compiler("avr-objcopy", "binutils-avr")
    hex_file = compile_to(
        chip.with_suffix(".hex"), [objcopy, "-O", "ihex", "-R", ".eeprom", str(chip)], flag=()
    )
    print(f"this machine:  {host.program}\n               {host.library}")
    print(f"ATmega328P:    {hex_file}")
    print(f"to flash it:   avrdude -p m328p -c PROGRAMMER -U flash:w:{hex_file}:i")


if __name__ == "__main__":
    main()
