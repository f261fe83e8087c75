"""Behaviour of the command line: one clear line, the promised exit code, JSON alone on its
stream."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
import trimesh

from evenwall.cli import main as cli
from evenwall.cli.application import SAMPLES, Application
from evenwall.cli.console import SIMULATED_HELP, meaning, typed
from evenwall.cli.main import main
from evenwall.model import WallSummary, read_casting, read_order

SMALL = Path(__file__).resolve().parents[2] / "hardware" / "rigs" / "small.toml"
BAD_CASTINGS = [
    ('wall_mm = -1\nmesh = "M"\nresin = "R"\nname = "x"', "wall_mm is -1 mm: must be > 0.2"),
    ('wall_mm = 4.5\nmesh = "none.stl"\nresin = "R"\nname = "x"', "mesh is none.stl: no such file"),
    ('wall_mm = 4.5\nmesh = "M"\nname = "x"', "resin is missing: must be a file name"),
    ('wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\ncolour = 1', "no such field"),
    ('wall_mm = 4.5\nmesh = "M"\nmesh_units = "m"\nresin = "R"\nname = "x"', "another unit?"),
    ('wall_mm = 45\nmesh = "M"\nresin = "R"\nname = "x"', "has a radius of"),
    ("wall_mm =", "is not TOML"),
    (
        'wall_mm = "4.5 mm"\nmesh = "M"\nresin = "R"\nname = "x"',
        'wall_mm is "4.5 mm": must be a number of mm, without quotes',
    ),
    ('wall_mm = 4,5\nmesh = "M"', "wall_mm = 4,5: decimals are written with a point"),
    (
        'wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\n[shop]\nhumidty_percent = 4',
        "shop.humidty_percent is unknown: no such field; did you mean humidity_percent?",
    ),
    (
        'wall_inch = 0.18\nmesh = "M"\nresin = "R"\nname = "x"',
        "wall_mm is missing: is required; wall_inch, which is given there, is not a field",
    ),
    (
        'wall_mm = "4.5"\nmesh = "M"\nresin = "R"\nname = "x"',
        'wall_mm is "4.5": must be a number of mm, without quotes',
    ),
    (
        'wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\n[mould]\nwall_mm = true',
        "mould.wall_mm is True mm: input should be a valid number",
    ),
    ('wall_mm = 4.5\nmesh = "M"\nresin = "none.toml"\nname = "x"', "resin is none.toml: no such"),
    (
        'wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\n[mount]\ncentre_mm = [0, 0, inf]',
        "mount.centre_mm.2 is inf mm: ",
    ),
    (
        'wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\n[mount]\ncentre_mm = 5',
        "mount.centre_mm is 5 mm: must be a list",
    ),
    (
        'wall_mm = 4.5\nmesh = "M"\nresin = "R"\nname = "x"\n[opening]\ndirection = [0, 0, 0]',
        "opening.direction is (0.0, 0.0, 0.0): must have a direction",
    ),
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
    (line,) = err.splitlines()  # nor a bar that does not move
    assert out == ""
    assert line.startswith(f"evenwall: {file}: ") or "file is" in line
    assert said in line


def a_casting(folder: Path, *, sheet: tuple[str, str] = ("", ""), mesh: str = "") -> Path:
    """The sample globe, with one line of its resin's sheet changed."""
    resin = (SAMPLES / "quick-clear.toml").read_text(encoding="utf-8")
    casting = (SAMPLES / "lantern-globe.toml").read_text(encoding="utf-8")
    assert sheet[0] in resin
    (folder / "quick-clear.toml").write_text(resin.replace(*sheet), encoding="utf-8")
    shown = mesh or str(SAMPLES / "lantern-globe.stl")
    file = folder / "casting.toml"
    file.write_text(casting.replace("lantern-globe.stl", shown), encoding="utf-8")
    return file


def test_a_pot_life_in_seconds_is_named_in_the_files_own_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = a_casting(tmp_path, sheet=("pot_life_min = 9.0", "pot_life_min = 540.0"))
    assert main(["plan", str(file)]) == 2
    said = "quick-clear.toml: sheet.demould_min is 75 min: must be at least the pot life, 540 min"
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("field", "was", "now", "said"),
    [
        (
            "mix_ratio_b_per_100a",
            "90.0",
            "20000.0",
            "20000.0 g of B per 100 g of A: must be <= 5000.0",
        ),
        ("pot_life_mass_g", "100.0", "1.5", "1.5 g: must be >= 5.0"),
        ("pot_life_temp_degC", "23.0", "-5.0", "-5.0 degC: must be >= 0.0"),
        ("demould_min", "75.0", "1000000.0", "1000000.0 min: must be <= 20160.0"),
        ("peak_exotherm_degC", "98.0", "23.5", "23.5 degC: must be at least 1 K above the 23 degC"),
    ],
)
def test_a_sheet_out_of_bounds_is_told_in_its_own_files_words(
    field: str, was: str, now: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not in the SI names of the numerics, which would refuse it later."""
    file = a_casting(tmp_path, sheet=(f"{field} = {was}", f"{field} = {now}"))
    assert main(["plan", str(file), "--time-budget-s", "0.1"]) == 2
    line = f"{tmp_path / 'quick-clear.toml'}: sheet.{field} is {said}"
    assert line in capsys.readouterr().err


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        (
            "[shop]\ntemp_degC = 21.0",
            "[shop]\ntemp_degC = -5.0",
            "shop.temp_degC is -5.0 degC: must",
        ),
        ("wall_mm = 12.0", "wall_mm = 0.5", "mould.wall_mm is 0.5 mm: must be >= 1.0"),
    ],
)
def test_a_shop_and_a_mould_out_of_bounds(
    was: str, now: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = a_casting(tmp_path)
    text = file.read_text(encoding="utf-8")
    assert was in text
    file.write_text(text.replace(was, now), encoding="utf-8")
    assert main(["plan", str(file), "--time-budget-s", "0.1"]) == 2
    assert f"{file}: {said}" in capsys.readouterr().err


def test_a_mesh_drawn_in_inches_is_asked_for_every_unit_that_would_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mesh = trimesh.load(SAMPLES / "lantern-globe.stl")
    mesh.apply_scale(1.0 / 25.4)  # NIST SP 811, B.8
    mesh.export(tmp_path / "inches.stl")
    assert main(["plan", str(a_casting(tmp_path, mesh="inches.stl"))]) == 2
    assert 'set mesh_units = "cm" or "inch"' in capsys.readouterr().err


@pytest.mark.parametrize("command", ["plan", "wall", "spin"])
def test_text_that_is_not_utf_8(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "casting.toml").write_bytes('name = "Größe"'.encode("latin-1"))
    assert main([command, str(tmp_path / "casting.toml")]) == 2
    assert "is not text in UTF-8" in capsys.readouterr().err


def test_the_mark_that_some_editors_put_before_utf_8(tmp_path: Path) -> None:
    file = a_casting(tmp_path)
    file.write_text(file.read_text(encoding="utf-8"), encoding="utf-8-sig")
    assert read_casting(file).name == "Lantern globe"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--report", "plan.docx"], "--report is plan.docx: must end in .html, .pdf"),
        (["--report", "none/plan.pdf"], "--report is none/plan.pdf: its folder does not exist"),
        (["--out", "none/plan.json"], "--out is none/plan.json: its folder does not exist"),
        (["--out", "."], "--out is .: is a folder: must be a file"),
    ],
)
def test_a_file_that_cannot_be_written_is_told_before_the_search(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", str(a_casting(tmp_path)), *words]) == 2
    assert capsys.readouterr().err == f"evenwall: {said}\n"


def test_a_file_that_turns_out_not_to_be_writable(tmp_path: Path) -> None:
    words = ["plan", str(a_casting(tmp_path)), "--time-budget-s", "0.1"]
    assert main([*words, "--out", str(tmp_path / f"{300 * 'x'}.json")]) == 2


CASE = """
[sheet]
pot_life_min = 14
mixed_viscosity_mPa_s = 300.0
mix_ratio_b_per_100a = 50.0
mixed_density_g_cm3 = 1.08
[case]
placement = "cup"
probe = "digital_1wire"
cup_mass_g = 114.0
poured_at_s = 150
"""


def a_trace(folder: Path, *rows: str, head: str = "time_s,probe_degC,ambient_degC") -> list[str]:
    (folder / "case.toml").write_text(CASE, encoding="utf-8")
    (folder / "trace.csv").write_text("\n".join([head, *rows]), encoding="utf-8")
    return ["gel", str(folder / "trace.csv"), "--case", str(folder / "case.toml")]


def test_a_trace_with_decimal_commas_is_not_read_askew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(a_trace(tmp_path, "0,21,5,20,0", "10,21,6,20,0")) == 2
    said = "trace.csv:2: row is 5 cells: must be 3, as the first line has"
    assert said in capsys.readouterr().err
    assert main(a_trace(tmp_path, "0,21,20,", "10,21,20,,")) == 0  # cells with nothing in them


def test_a_trace_with_other_columns_is_told_what_it_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(a_trace(tmp_path, "0;21;20", head="time_s;probe_degC;ambient_degC")) == 2
    said = "the first line holds time_s;probe_degC;ambient_degC; separate the columns with commas"
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("room", ["70", "294"])
def test_a_trace_in_other_degrees_is_doubted(
    room: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """70 degF and 294 K are 21 degC."""
    rows = [f"{time_s},{room},{room}" for time_s in range(0, 300, 10)]
    assert main(a_trace(tmp_path, *rows)) == 0
    said = f"ambient_degC is about {room}: is the trace in degrees Celsius?"
    assert said in capsys.readouterr().out


def test_a_plot_of_no_known_kind_is_told_before_the_trace_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*a_trace(tmp_path, "0,21,20"), "--plot", "plot.xls"]) == 2
    said = "evenwall: --plot is plot.xls: must end in .png, .svg, .pdf\n"
    assert capsys.readouterr().err == said


def test_a_run_that_no_record_has_is_not_replayed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", "nobody", "--data", str(tmp_path)]) == 2
    assert "RUN is nobody: no such run under" in capsys.readouterr().err


def test_a_run_of_the_demo_is_replayed_where_it_lies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`evenwall runs` lists it without its place, so it can be replayed in the same way. A real
    frame has its own record and does not write into the demo's."""
    where: list[Path] = []
    folder = tmp_path / "demo"
    monkeypatch.setattr(cli, "journal_of", lambda home, run_id: (folder, None))
    monkeypatch.setattr(cli, "_cast", lambda args, what: where.append(args.data) or 0)
    assert main(["replay", "a-run", "--data", str(tmp_path)]) == 0
    assert where == [folder]
    rig = SMALL.read_text(encoding="utf-8")
    assert 'backend = "simulated"' in rig
    (tmp_path / "rig.toml").write_text(rig.replace('"simulated"', '"serial"', 1))
    words = ["replay", "a-run", "--data", str(tmp_path), "--rig", str(tmp_path / "rig.toml")]
    assert main(words) == 2
    assert "RUN is a-run: was not cast on this rig" in capsys.readouterr().err


def test_a_port_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--port", "99999", "--data", str(tmp_path)]) == 2
    assert "--port is 99999: must be 0 to 65535" in capsys.readouterr().err


def test_a_host_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """192.0.2.0/24 belongs to nobody (RFC 5737)."""
    assert main(["serve", "--host", "192.0.2.1", "--data", str(tmp_path)]) == 2
    assert "--host is 192.0.2.1: is not an address of this machine" in capsys.readouterr().err


@pytest.mark.parametrize(("how", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)])
def test_serving_is_interrupted_by_hand_or_ended_as_a_service_is(
    how: signal.Signals, code: int, tmp_path: Path
) -> None:
    words = [sys.executable, "-m", "evenwall.cli.main", "serve", "--port", "0", "--data", "."]
    bare = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with subprocess.Popen(
        words, cwd=tmp_path, env=bare, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert any("Choose a casting" in line for line in process.stdout)
        process.send_signal(how)
        process.communicate(timeout=60)
        assert process.returncode == code


def test_a_missing_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["spin", "nowhere.json"]) == 2
    assert "No such file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plant"], "evenwall: argument COMMAND: invalid choice: 'plant'"),
        (["plan"], "evenwall plan: the following arguments are required: CASTING.toml; see `even"),
        (["rig", "park", "left"], "evenwall rig park: argument where: invalid choice: 'left'"),
        (["plan", "x.toml", "--seed", "-1"], "argument --seed: -1 must be at least 0"),
    ],
)
def test_a_wrong_word(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


@pytest.mark.parametrize("speed", ["0", "-1", "1000"])
def test_a_speed_out_of_bounds(speed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--speed", speed]) == 2
    assert "times life: must be from 1 to 240" in capsys.readouterr().err


def test_json_is_one_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    args = ["rig", "check", "--json", "--speed", "50", "--data", str(tmp_path)]
    assert main(args) == 0
    findings = json.loads(capsys.readouterr().out)
    assert {one["found"] for one in findings} <= {"good", "not tried"}


def test_a_plan_has_every_key_that_outside_checks_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Even figures that a short search does not have, and the cost of a resin without a price, are
    present as null."""
    file = a_casting(tmp_path, sheet=("price_per_kg = 38.0", ""))
    out = tmp_path / "plan.json"
    assert main(["plan", str(file), "--time-budget-s", "0.1", "--json", "--out", str(out)]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan == json.loads(out.read_text(encoding="utf-8"))
    assert set(plan["wall"]) == set(WallSummary.model_fields)
    assert plan["wall"]["worst_case_min_mm"] is None
    assert plan["totals"]["cost"] is None


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
        ("touch coat sure", "touch", {"what": "coat", "confirmed": True}),
        ("take back", "take_back", {}),
        ("stop", "stop_turning", {}),
        ("take change", "answer", {"question": "spin_change", "value": "take"}),
        ("leave change", "answer", {"question": "spin_change", "value": "leave"}),
        ("note the rim is fine", "note", {"text": "the rim is fine"}),
    ],
)
def test_typed_words(typed: str, name: str, data: dict[str, object]) -> None:
    assert meaning(typed.split()) == read_order(name, data)


def test_a_load_that_is_no_number_is_answered() -> None:
    async def answered(words: str) -> tuple[str, list[float]]:
        loads: list[float] = []
        house = SimpleNamespace(
            service=SimpleNamespace(snapshot=lambda: None),
            board=None,
            loads=SimpleNamespace(load=loads.append),
        )
        return await typed(cast(Application, house), words.split()), loads

    assert asyncio.run(answered("scale 12.5")) == ("", [12.5])
    assert asyncio.run(answered("scale much")) == (SIMULATED_HELP, [])


@pytest.mark.parametrize("typed", ["weigh much", "touch wood", "go", "measure 1"])
def test_typed_nonsense(typed: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        meaning(typed.split())
