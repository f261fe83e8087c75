"""Builds the cycle-accurate simulator of the chip and puts the board's binary into it."""

from __future__ import annotations

import ctypes
from array import array
from pathlib import Path

from evenwall_bridge.build import (
    SOURCE,
    HostFirmware,
    avr_firmware,
    cache_folder,
    compile_to,
    compiler,
    source_key,
)
from evenwall_bridge.contract import Clock
from evenwall_bridge.pins import load_pins
from evenwall_bridge.sim_board import AXES, VirtualBoard

HERE = Path(__file__).parent
FLAGS = ("-std=gnu99", "-O2", "-Wall", "-Wextra", "-Wno-unused-parameter")


def simulator() -> HostFirmware:
    """The simulated chip as a library and as a program on a pseudo-terminal."""
    source = HERE / "simboard_avr.c"
    folder = cache_folder() / source_key(source.read_text(encoding="utf-8"), *FLAGS)
    library, program = folder / "libchip.so", folder / "evenwall-chip"
    if not library.exists() or not program.exists():
        folder.mkdir(parents=True, exist_ok=True)
        lines = []
        for pin in load_pins():
            lines.append(f"#define {pin.name.upper()}_PORT_NAME '{pin.port}'")
            lines.append(f"#define {pin.name.upper()}_BIT {pin.bit}")
        (folder / "pins_of_board.h").write_text("\n".join([*lines, ""]), encoding="utf-8")
        cc = compiler("cc", "gcc libc6-dev libsimavr-dev libelf-dev")
        includes = [f"-I{SOURCE / 'core'}", f"-I{SOURCE / 'port_host'}", f"-I{folder}"]
        libraries = ["-lsimavr", "-lelf"]
        common = [cc, *FLAGS, *includes, str(source)]
        compile_to(library, [*common, "-shared", "-fPIC", *libraries])
        compile_to(program, [*common, str(SOURCE / "port_host/pty_main.c"), *libraries])
    return HostFirmware(library, program)


class ChipBoard(VirtualBoard):
    """The chip's binary in this process, in the clock's time, with what only a chip has."""

    def __init__(self, clock: Clock, image: Path | None = None) -> None:
        library = simulator().library
        super().__init__(clock, library, image or avr_firmware())
        c = ctypes.CDLL(str(library))
        handle = ctypes.c_void_p
        self._edges = c.simboard_edges
        self._edges.restype = ctypes.c_size_t
        self._edges.argtypes = [handle, ctypes.c_int, ctypes.c_void_p, ctypes.c_size_t]
        self._count = {}
        for name in ("idle_cycles", "lost_bytes"):
            self._count[name] = getattr(c, f"simboard_{name}")
            self._count[name].restype = ctypes.c_uint64
            self._count[name].argtypes = [handle]
        for name in ("enable_dips", "stack_free"):
            self._count[name] = getattr(c, f"simboard_{name}")
            self._count[name].restype = ctypes.c_int
            self._count[name].argtypes = [handle]
        self._spike = c.simboard_index_spike
        self._spike.restype, self._spike.argtypes = None, [handle, ctypes.c_int]
        self._hang = c.simboard_hang
        self._hang.restype, self._hang.argtypes = None, [handle]

    def edges(self, axis: str) -> array[int]:
        """Cycles of the STEP edges since the last call."""
        self.sync()
        out = array("Q", bytes(8 * (1 << 22)))
        address, _ = out.buffer_info()
        count = self._edges(self._board, AXES[axis], address, len(out))
        return out[:count]

    def count(self, name: str) -> int:
        self.sync()
        return int(self._count[name](self._board))

    def index_spike(self, axis: str) -> None:
        """The index switch's wire goes to the other level and back within 5 ms."""
        self.sync()
        self._spike(self._board, AXES[axis])

    def hang(self) -> None:
        """The program runs into a loop onto itself with interrupts off."""
        self.sync()
        self._hang(self._board)
