"""Folder of castings that belongs to one record."""

from __future__ import annotations

import shutil
from pathlib import Path

from evenwall.cli.application import SAMPLES


def own_castings(data: Path) -> Path:
    """Return the folder beside the record that keeps the phone's own castings.

    At first it holds copies of the samples.
    """
    folder = data / "castings"
    if not folder.is_dir():
        folder.mkdir(parents=True)
        for sample in sorted(SAMPLES.iterdir()):
            if sample.suffix in (".toml", ".stl", ".ply"):
                shutil.copyfile(sample, folder / sample.name)
    return folder
