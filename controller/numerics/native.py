"""C sources of the numerics: shipped compiled, or compiled once and kept under their hash.

A wheel contains every kernel in `built`, once for each level of its architecture, and the highest
level that the machine has is used. Otherwise the machine's compiler makes it at its first use.
"""

from __future__ import annotations

import hashlib
import os
import platform
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

from evenwall.errors import EvenwallError

_NATIVE = [["-march=native", "-mprefer-vector-width=512"], ["-march=native"], ["-mcpu=native"], []]
_COMMON = ["-O3", "-fPIC", "-std=gnu11", "-fno-math-errno", "-fno-trapping-math", "-fopenmp-simd"]
_LINK = ["-shared", "-lm"]

BUILT = Path(__file__).resolve().parent / "built"
PACKAGE = Path(__file__).resolve().parents[1]
FILM, FILM_FLAGS = "numerics/film/kernel.c", ("-ffp-contract=off",)
# Every kernel: its file in the package, and its compiler flags.
KERNELS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (FILM, ("-DL=16", *FILM_FLAGS)),
    (FILM, ("-DL=8", *FILM_FLAGS)),
    (FILM, ("-DL=4", *FILM_FLAGS)),
    ("numerics/cure_kernel.c", ("-ffast-math",)),
    ("simulation/blind/film_of_cells.c", ("-DL=4", "-ffp-contract=off")),
)
# Levels of each architecture, best first: name, compiler flags, entries needed in /proc/cpuinfo.
# The x86-64 levels are those of its psABI; every 64-bit ARM has all that the kernels use.
LEVELS: dict[str, tuple[tuple[str, tuple[str, ...], frozenset[str]], ...]] = {
    "x86_64": (
        (
            "v4",
            ("-march=x86-64-v4", "-mprefer-vector-width=512"),
            frozenset({"avx2", "fma", "bmi2", "avx512f", "avx512bw", "avx512cd", "avx512dq"})
            | {"avx512vl"},
        ),
        ("v3", ("-march=x86-64-v3",), frozenset({"avx2", "fma", "bmi1", "bmi2", "f16c", "movbe"})),
        ("v1", ("-march=x86-64",), frozenset()),
    ),
    "aarch64": (("v8", ("-march=armv8-a",), frozenset()),),
}
# Floats in a register of each level: 512 and 256 bits; all others have 128.
WIDTHS = {"v4": 16, "v3": 8}
USUAL_WIDTH = 4


class NoCompiler(EvenwallError):
    """There is no working C compiler, so only the reference can be used."""


def _cache_dir() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "evenwall"


def library(source: Path, *flags: str) -> Path:
    """Return the shared library of one C file: the shipped one, or one compiled here.

    The linker does not get the flags: given -ffast-math, gcc before 13 would link code that
    switches off subnormals in the whole process.

    Raises NoCompiler.
    """
    brought = brought_along(source, flags)
    if brought is not None:
        return brought
    compiler = _compiler()
    words = [*_COMMON, *flags]
    about = " ".join([*words, *_LINK, compiler, platform.machine(), platform.node()])
    stamp = hashlib.sha256(source.read_bytes() + about.encode()).hexdigest()[:16]
    target = _cache_dir() / f"{source.parent.name}-{source.stem}-{stamp}.so"
    if not target.exists():
        _compile(compiler, source, target, [[*words, *native] for native in _NATIVE])
    return target


def why_no_compiler() -> str:
    """Return the reason why the film runs on its plain reference, in one line; empty if it does
    not.

    A process that only serves calls this, because importing the film loads 40 MB of solvers.
    """
    try:
        library(PACKAGE / FILM, f"-DL={floats_abreast()}", *FILM_FLAGS)
    except NoCompiler as why:
        return f"{why}: the film uses the reference code, which is about ten times slower"
    return ""


def brought_along(source: Path, flags: tuple[str, ...]) -> Path | None:
    """Return the best of the libraries in BUILT that this machine can run; None without one."""
    has: frozenset[str] | None = None
    for level, _, needs in LEVELS.get(platform.machine(), ()):
        path = BUILT / _built_name(source, flags, level)
        if not path.exists():
            continue
        has = has if has is not None else _cpu_flags()
        if needs <= has:
            return path
    return None


@cache
def floats_abreast() -> int:
    """Return how many floats one instruction of this machine computes: 4, 8 or 16."""
    has = _cpu_flags()
    levels = LEVELS.get(platform.machine(), ())
    best = next((level for level, _, needs in levels if needs <= has), "")
    return WIDTHS.get(best, USUAL_WIDTH)


def build_all(folder: Path, package: Path) -> list[Path]:
    """Compile every kernel for every level of this architecture into `folder`, for a wheel.

    package: the package's folder, with the sources. Raises NoCompiler.
    """
    made = []
    for name, flags in KERNELS:
        source = package / name
        for level, march, _ in LEVELS.get(platform.machine(), ()):
            target = folder / _built_name(source, flags, level)
            _compile(_compiler(), source, target, [[*_COMMON, *flags, *march]])
            made.append(target)
    return made


def _built_name(source: Path, flags: tuple[str, ...], level: str) -> str:
    """Name of a shipped kernel; another source or other flags give another name."""
    about = " ".join([*_COMMON, *flags, *_LINK])
    stamp = hashlib.sha256(source.read_bytes() + about.encode()).hexdigest()[:12]
    return f"{source.stem}-{stamp}-{level}.so"


def _cpu_flags() -> frozenset[str]:
    """Return the processor's features as Linux lists them; an empty set where it lists none."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace")
    except OSError:
        return frozenset()
    lines = (line for line in text.splitlines() if line.startswith("flags"))
    return frozenset(next(lines, "").partition(":")[2].split())


def _compiler() -> str:
    compiler = shutil.which(os.environ.get("CC", "cc"))
    if compiler is None:
        raise NoCompiler(f"there is no C compiler ({os.environ.get('CC', 'cc')})")
    return compiler


def _compile(compiler: str, source: Path, target: Path, tries: list[list[str]]) -> None:
    """Compile `target` with the first of these lists of flags that the compiler accepts."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
        made, compiled = Path(scratch) / target.name, Path(scratch) / "compiled.o"
        for words in tries:
            run = _run(compiler, *words, "-c", str(source), "-o", str(compiled))
            if run.returncode == 0:
                run = _run(compiler, str(compiled), *_LINK, "-o", str(made))
            if run.returncode == 0:
                made.replace(target)  # atomic: two processes may compile at once
                return
    raise NoCompiler(f"{compiler} could not compile {source.name}: {run.stderr.strip()[:300]}")


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, check=False)
