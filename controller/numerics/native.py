"""C sources of the numerics: compiled once with the machine's compiler, kept under their hash."""

from __future__ import annotations

import hashlib
import os
import platform
import shutil
import subprocess
import tempfile
from pathlib import Path

from evenwall.errors import EvenwallError

_NATIVE = [["-march=native", "-mprefer-vector-width=512"], ["-march=native"], ["-mcpu=native"], []]
_COMMON = ["-O3", "-fPIC", "-std=gnu11", "-fno-math-errno", "-fno-trapping-math", "-fopenmp-simd"]
_LINK = ["-shared", "-lm"]


class NoCompiler(EvenwallError):
    """There is no working C compiler, so only the reference can be used."""


def _cache_dir() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "evenwall"


def library(source: Path, *flags: str) -> Path:
    """The compiled shared library of one C file, compiling it if it was not yet compiled here.

    flags are the compiler's alone: told -ffast-math, the linker of gcc before 13 would add code
    that switches off subnormals in the whole process.

    Raises NoCompiler.
    """
    compiler = shutil.which(os.environ.get("CC", "cc"))
    if compiler is None:
        raise NoCompiler(f"there is no C compiler ({os.environ.get('CC', 'cc')})")
    words = [*_COMMON, *flags]
    about = " ".join([*words, *_LINK, compiler, platform.machine(), platform.node()])
    stamp = hashlib.sha256(source.read_bytes() + about.encode()).hexdigest()[:16]
    target = _cache_dir() / f"{source.parent.name}-{source.stem}-{stamp}.so"
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
        made, compiled = Path(scratch) / target.name, Path(scratch) / "compiled.o"
        for native in _NATIVE:
            run = _run(compiler, *words, *native, "-c", str(source), "-o", str(compiled))
            if run.returncode == 0:
                run = _run(compiler, str(compiled), *_LINK, "-o", str(made))
            if run.returncode == 0:
                made.replace(target)  # atomic: two processes may compile at once
                return target
    raise NoCompiler(f"{compiler} could not compile {source.name}: {run.stderr.strip()[:300]}")


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, check=False)
