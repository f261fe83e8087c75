"""Films and meshes that were computed once, kept for the tests after it.

A film follows from its mesh, its rules and its coat alone, bit for bit, whatever else is computed
beside it (`tests/planning/test_search.py` holds that). Searches with one seed ask for the same
films again and again.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenwall.numerics import film
from evenwall.numerics.film import Coat
from evenwall.planning.walls import Grid, films

Array = NDArray[np.float64]


def _parts(value: Any) -> Iterator[bytes]:
    if isinstance(value, np.ndarray):
        yield f"{value.dtype}{value.shape}".encode()
        yield value.tobytes()
    elif is_dataclass(value):
        yield type(value).__name__.encode()
        for field in fields(value):
            yield from _parts(getattr(value, field.name))
    elif isinstance(value, list | tuple):
        yield f"{len(value)} of".encode()
        for one in value:
            yield from _parts(one)
    else:
        yield f"{value!r};".encode()


def stamp(*values: Any) -> bytes:
    """Hash of the content of arrays, frozen objects, lists and plain values."""
    return hashlib.sha256(b"".join(_parts(values))).digest()


class KnownFilms:
    """Takes the place of `evenwall.planning.walls.films`, and computes no film twice."""

    def __init__(self) -> None:
        self.known: dict[bytes, Array] = {}
        self._grids: dict[int, tuple[Grid, bytes]] = {}  # the grid is kept, and so is its id

    def _stamp(self, grid: Grid) -> bytes:
        if id(grid) not in self._grids:
            self._grids[id(grid)] = grid, stamp(grid.mesh, grid.numerics)
        return self._grids[id(grid)][1]

    def __call__(
        self,
        grid: Grid,
        batch: Sequence[Coat],
        threads: int,
        rim_open: bool = False,
        halt: Callable[[], bool] | None = None,
    ) -> Array:
        keys = [stamp(self._stamp(grid), coat, rim_open) for coat in batch]
        new = {key: coat for key, coat in zip(keys, batch, strict=True) if key not in self.known}
        if new:
            made = films(grid, list(new.values()), threads, rim_open, halt)
            self.known.update(zip(new, made, strict=True))
        return np.array([self.known[key] for key in keys])


class Known:
    """Takes the place of a function whose result follows from its arguments, and calls it once for
    each content of them."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self.function = function
        self.known: dict[bytes, bytes] = {}

    def __call__(self, *args: Any, **more: Any) -> Any:
        key = stamp(self.function.__qualname__, args, sorted(more.items()))
        if key not in self.known:
            self.known[key] = self._found(key, args, more)
        return pickle.loads(self.known[key])

    def _found(self, key: bytes, args: Any, more: Any) -> bytes:
        return pickle.dumps(self.function(*args, **more))


class Shared(Known):
    """A `Known` whose results stand in a folder, for the other workers of the same run too."""

    def __init__(self, function: Callable[..., Any], folder: Path) -> None:
        super().__init__(function)
        self.folder = folder

    def _found(self, key: bytes, args: Any, more: Any) -> bytes:
        kept = self.folder / key.hex()
        if not kept.exists():
            made = super()._found(key, args, more)
            with tempfile.NamedTemporaryFile(dir=self.folder, delete=False) as part:
                part.write(made)
            Path(part.name).replace(kept)  # at once: another worker may look for it
        return kept.read_bytes()


class FilmsOnce:
    """Takes the place of the module `evenwall.numerics.film` in a module that computes walls."""

    def __init__(self, coats: Callable[..., Any]) -> None:
        self.coats = coats

    def __getattr__(self, name: str) -> Any:
        return getattr(film, name)
