"""A record always opens: whatever stands in the data folder, the controller comes up.

A seeded few here; `make soak ARGS=folders` spoils two thousand folders.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.faults.folders import trial

MANY = 40


@pytest.fixture(autouse=True)
def no_places_beside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A record that moves goes on in this test's own folder."""
    (tmp_path / "beside").mkdir()
    for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "beside"))


@pytest.mark.parametrize("part", range(4))
def test_a_spoilt_data_folder_opens(part: int, tmp_path: Path) -> None:
    for seed in range(part, MANY, 4):
        try:
            trial(random.Random(f"folder/{seed}"), tmp_path)
        except Exception as error:  # noqa: BLE001  the seed is what finds it again
            pytest.fail(f"seed {seed}: {type(error).__name__}: {error}")
