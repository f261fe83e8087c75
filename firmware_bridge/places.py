"""The folder `hardware`: beside this package in a clone, under its own name in a wheel."""

from __future__ import annotations

from pathlib import Path

_BESIDE = Path(__file__).resolve().parents[1]
# A wheel installs the folder as `evenwall_hardware`: site-packages belongs to everybody.
HARDWARE = next(
    (place for name in ("hardware", "evenwall_hardware") if (place := _BESIDE / name).is_dir()),
    _BESIDE / "hardware",
)
# The compiled firmware for this machine that a wheel brings along, by the key of its source.
BUILT = Path(__file__).resolve().parent / "built"
