"""The command line's manners: one clear line, the promised exit code, JSON alone on its stream."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from controller.app import SAMPLES, House
from controller.cli import main
from controller.serving import SIMULATED_HELP, _typed, meaning

BAD_CASTINGS = [
    ('wall_mm = -1\nmesh = "M"\nresin = "R"\nname = "x"', "wall_mm is -1 mm: must be > 0.2"),
    ('wall_mm = 4.5\nmesh = "none.stl"\nresin = "R"\nname = "x"', "mesh is none.stl: no such file"),
    ('wall_mm = 4.5\nmesh = "M"\nname = "x"', "resin is missing: must be a file name"),
    ('wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\ncolour = 1', "no such field"),
    ('wall_mm = 4.5\nmesh = "M"\nmesh_units = "m"\nresin = "R"\nname = "x"', "another unit?"),
    ('wall_mm = 45\nmesh = "M"\nresin = "R"\nname = "x"', "has a radius of"),
    ("wall_mm =", "is not TOML"),
]


@pytest.mark.parametrize(("text", "said"), BAD_CASTINGS)
def test_bad_casting_gets_one_line(
    text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "casting.toml"
    mesh, resin = SAMPLES / "lantern-globe.stl", SAMPLES / "quick-clear.toml"
    file.write_text(text.replace('"M"', f'"{mesh}"').replace('"R"', f'"{resin}"'))
    assert main(["plan", str(file), "--json"]) == 2
    out, err = capsys.readouterr()
    last = err.strip().splitlines()[-1]
    assert out == ""
    assert last.startswith(f"evenwall: {file}: ") or "file is" in last
    assert said in last
    assert "Traceback" not in err


def test_a_missing_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["spin", "nowhere.json"]) == 2
    assert "No such file" in capsys.readouterr().err


def test_a_wrong_word() -> None:
    with pytest.raises(SystemExit) as ended:
        main(["plant"])
    assert ended.value.code == 2


@pytest.mark.parametrize("speed", ["0", "-1", "1000"])
def test_a_speed_out_of_bounds(speed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--speed", speed]) == 2
    assert "times life: must be from 1 to 240" in capsys.readouterr().err


def test_json_is_one_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    args = ["rig", "check", "--json", "--speed", "50", "--data", str(tmp_path)]
    assert main(args) == 0
    findings = json.loads(capsys.readouterr().out)
    assert {one["found"] for one in findings} <= {"good", "not tried"}


def test_the_frame_by_hand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    on = ["--speed", "50", "--data", str(tmp_path)]
    assert main(["rig", "home", *on]) == 0
    assert capsys.readouterr().out.count("index: met") == 2
    assert main(["rig", "turn", "minor", "--turns", "0.5", *on]) == 0
    assert "9600 steps" in capsys.readouterr().out  # 200 x 16 x 6 a turn, by the rig file
    assert main(["rig", "turn", "minor", "--rate-rpm", "12", *on]) == 2
    assert "--rate-rpm is 12.0 rpm: must be up to 3" in capsys.readouterr().err


@pytest.mark.parametrize("before", [True, False])
def test_where_the_record_is_may_stand_before_the_action_or_behind(
    before: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--data", str(tmp_path)]
    words = ["runs", *where, "show", "nobody"] if before else ["runs", "show", "nobody", *where]
    assert main(words) == 2
    assert f"no such run under {tmp_path}" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("typed", "name", "data"),
    [
        ("", "next", {}),
        ("weigh 49.8 44.8", "weigh", {"part_a_g": 49.8, "part_b_g": 44.8}),
        ("touch cup", "touch", {"what": "cup"}),
        ("stop", "stop_turning", {}),
        ("note the rim is fine", "note", {"text": "the rim is fine"}),
    ],
)
def test_typed_words(typed: str, name: str, data: dict[str, object]) -> None:
    assert meaning(typed.split()) == (name, data)


def test_a_load_that_is_no_number_is_answered() -> None:
    async def typed(words: str) -> tuple[str, list[float]]:
        loads: list[float] = []
        house = SimpleNamespace(
            service=SimpleNamespace(snapshot=lambda: None),
            board=None,
            loads=SimpleNamespace(load=loads.append),
        )
        return await _typed(cast(House, house), words.split()), loads

    assert asyncio.run(typed("scale 12.5")) == ("", [12.5])
    assert asyncio.run(typed("scale much")) == (SIMULATED_HELP, [])


@pytest.mark.parametrize("typed", ["weigh much", "touch wood", "go", "measure 1"])
def test_typed_nonsense(typed: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        meaning(typed.split())
