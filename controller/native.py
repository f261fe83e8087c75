"""C sources of the numerics: compiled once with the machine's compiler, kept under their hash."""

from __future__ import annotations

import hashlib
import os
import platform
import shutil
import subprocess
import tempfile
from pathlib import Path

from controller.errors import EvenwallError

_NATIVE = [["-march=native", "-mprefer-vector-width=512"], ["-march=native"], ["-mcpu=native"], []]
_COMMON = ["-O3", "-fPIC", "-shared", "-std=gnu11", "-fno-math-errno", "-fno-trapping-math"]


class NoCompiler(EvenwallError):
    """There is no working C compiler, so only the reference can be used."""


def _cache_dir() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "evenwall"


def library(source: Path, *flags: str) -> Path:
    """The compiled shared library of one C file, compiling it if it was not yet compiled here.

    Raises NoCompiler.
    """
    compiler = shutil.which(os.environ.get("CC", "cc"))
    if compiler is None:
        raise NoCompiler(f"there is no C compiler ({os.environ.get('CC', 'cc')})")
    words = [*_COMMON, "-fopenmp-simd", *flags]
    about = " ".join([*words, compiler, platform.machine(), platform.node()])
    stamp = hashlib.sha256(source.read_bytes() + about.encode()).hexdigest()[:16]
    target = _cache_dir() / f"{source.parent.name}-{source.stem}-{stamp}.so"
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
        made = Path(scratch) / target.name
        for native in _NATIVE:
            run = subprocess.run(
                [compiler, *words, *native, str(source), "-o", str(made), "-lm"],
                capture_output=True, text=True, check=False,
            )  # fmt: skip
            if run.returncode == 0:
                made.replace(target)  # atomic: two processes may compile at once
                return target
    raise NoCompiler(f"{compiler} could not compile {source.name}: {run.stderr.strip()[:300]}")
