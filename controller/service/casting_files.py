"""Folder of casting and resin files: lists the choices, and returns a casting with changes."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.model import (
    Casting,
    CastingCard,
    ResinCard,
    parse,
    read_casting,
    read_resin,
    read_toml,
)
from evenwall.model.untrusted import read_bytes

MESH_BYTES = 200_000_000
NOTICE = "library"


@dataclass
class Found:
    """Cards of the readable files, and a line for each unreadable one."""

    castings: list[CastingCard] = field(default_factory=list)
    resins: list[ResinCard] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


class CastingFiles:
    """Folder of castings and resins, with the queries of the service."""

    def __init__(self, folder: Path, notice: Callable[[str, str | None], None]) -> None:
        """Open the folder. notice: tells a person which files cannot be used, and why."""
        self.folder, self._notice = folder, notice

    async def found(self) -> Found:
        """Return the present choices, by name. Faults of other files go to `notice`."""
        found = await asyncio.get_running_loop().run_in_executor(None, cards_in, self.folder)
        # A file that is not in the list cannot be chosen, so its fault must be shown here.
        lines = " ".join(f"Not in the list: {line}." for line in found.wrong)
        self._notice(NOTICE, lines or None)
        return found

    def casting(self, casting_id: str, overrides: Mapping[str, Any]) -> Casting:
        """Return a casting of the folder with some fields changed. Raises InputError.

        overrides: fields of the casting, named as in its file; a resin by its `resin_id`. A changed
        shop temperature also applies to the mould, unless a mould temperature is given.
        """
        path = self._file("casting_id", casting_id)
        casting = read_casting(path)
        if not overrides:
            return casting
        data = casting.model_dump()
        for name, value in overrides.items():
            kept = data.get(name)
            if name == "mesh":
                limit = "is a file of the library, and no request names a path"
                raise InputError("mesh", "given", limit)
            if name == "resin":
                data[name] = read_resin(self._file("resin", str(value)))
            elif isinstance(kept, dict) and isinstance(value, Mapping):
                data[name] = {**kept, **value}
            else:
                data[name] = value
        shop, mould = overrides.get("shop"), overrides.get("mould", {})
        if isinstance(shop, Mapping) and isinstance(mould, Mapping) and "temp_degC" in shop:
            data["mould"] = {**data["mould"], "temp_degC": None, **mould}
        return parse(Casting, data, path)

    def _file(self, name: str, stem: str) -> Path:
        path = self.folder / f"{stem}.toml"
        if Path(stem).name != stem or not path.is_file():
            raise InputError(name, stem, "no such file in the library")
        return path

    def mesh_of(self, sha256: str) -> Path:
        """Return the path of the form with this hash; a path without a file if there is none."""
        for path in sorted(self.folder.glob("*.toml")):
            try:
                mesh = read_casting(path).mesh
                if hashlib.sha256(read_bytes(mesh, MESH_BYTES)).hexdigest() == sha256:
                    return mesh
            except InputError:
                continue  # `found` reports it
        return self.folder / ".absent" / sha256


def cards_in(folder: Path) -> Found:
    """Return the folder's castings and resins. Other TOML files are ignored."""
    found = Found()
    for path in sorted(folder.glob("*.toml")):
        try:
            data = read_toml(path)
            if "mesh" in data or "resin" in data:
                casting = read_casting(path)
                card = CastingCard(
                    casting_id=path.stem,
                    name=casting.name,
                    resin=casting.resin.name,
                    wall_mm=casting.wall_mm,
                )
                found.castings.append(card)
            elif "sheet" in data:
                found.resins.append(ResinCard(resin_id=path.stem, name=read_resin(path).name))
        except InputError as error:
            found.wrong.append(str(error))
    return found
