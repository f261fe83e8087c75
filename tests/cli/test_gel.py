"""A logged trace on the command line: files in, the specified document out."""

import gzip
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenwall.cli import gel as gelcli
from evenwall.errors import InputError
from evenwall.numerics import gel
from evenwall.reports import gel_view as gelview
from tests.numerics.test_gel import late_trace, own_trace

CASE = """
[sheet]
pot_life_min = 14
pot_life_mass_g = 100.0
pot_life_temp_degC = 23.0
mixed_viscosity_mPa_s = 300.0
mix_ratio_b_per_100a = 50.0
mixed_density_g_cm3 = 1.08
peak_exotherm_degC = 96.0
[case]
placement = "cup"
probe = "digital_1wire"
cup_mass_g = 114.0
coat_mm = 1.3
wall_mm = 15.0
wall_material = "silicone rubber"
mould_temp_degC = 17.0
poured_at_s = 150
probe_in_at_s = 200
[[touch]]
what = "cup"
at_s = 850.0
[[earlier_batch]]
ambient_degC = 22.7
poured_at_s = 85
cup_mass_g = 134.0
coat_mm = 1.6
wall_mm = 13.0
mould_temp_degC = 22.9
cup_touch_s = 800.0
coat_touch_s = 1320.0
"""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, float]:
    folder = tmp_path_factory.mktemp("gel")
    _, rows, gel_s = own_trace("cup", 2400.0)
    lines = ["time_s,probe_degC,ambient_degC"]
    for number, row in enumerate(rows):
        probe = "" if number % 40 == 7 or row.probe_K is None else f"{row.probe_K - 273.15:.4f}"
        lines.append(f"{row.time_s},{probe},20.0")
    trace = folder / "trace.csv.gz"
    with gzip.open(trace, "wt", encoding="utf-8") as text:
        text.write("\n".join(lines) + "\n")
    case = folder / "case.toml"
    case.write_text(CASE, encoding="utf-8")
    return trace, case, gel_s


def test_the_document(files: tuple[Path, Path, float]) -> None:
    trace, case, gel_s = files
    said = gelcli.run(trace, case)
    assert json.loads(json.dumps(said, allow_nan=False)) == said
    assert said["gel_at_s"] == pytest.approx(gel_s, rel=0.15)
    assert said["called_at_s"] > 0.95 * gel_s
    assert said["faults"] == []
    late = next(e for e in said["eta"] if e["at_s"] >= 0.75 * gel_s)
    assert late["low_s"] < gel_s - late["at_s"] < late["high_s"]
    assert "coat" in said["notes"][0]


def test_a_fault_taken_back_stays_on_record(tmp_path: Path) -> None:
    """It is recorded with its time."""
    case_path = tmp_path / "case.toml"
    case_path.write_text(CASE.split("[[touch]]")[0], encoding="utf-8")
    _, rows = late_trace(900.0, 1800.0)
    trace = tmp_path / "trace.csv"
    lines = [f"{row.time_s},{(row.probe_K or 0.0) - 273.15:.4f},20.0" for row in rows]
    trace.write_text("\n".join(["time_s,probe_degC,ambient_degC", *lines]), encoding="utf-8")
    first = gelcli.run(trace, case_path)["faults"][0]
    assert first["kind"] == "no_reaction"
    assert first["at_s"] < 900.0 < first["over_at_s"]


def test_nothing_is_known_before_it_happens(
    files: tuple[Path, Path, float], tmp_path: Path
) -> None:
    """Fewer of the same rows give the same results up to their end, although a touch comes
    later."""
    trace, case, _ = files
    lines = gzip.decompress(trace.read_bytes()).decode().splitlines()
    short = tmp_path / "short.csv"
    short.write_text("\n".join(lines[:80]) + "\n", encoding="utf-8")
    whole, cut = gelcli.run(trace, case), gelcli.run(short, case)
    assert cut["eta"] == whole["eta"][: len(cut["eta"])]
    assert cut["called_at_s"] is None


def test_the_plot(files: tuple[Path, Path, float], tmp_path: Path) -> None:
    trace, case, _ = files
    reading = gelcli.follow(trace, case)
    gelview.save(tmp_path / "gel.png", reading.rows, reading.last, "cup")
    assert (tmp_path / "gel.png").read_bytes().startswith(b"\x89PNG")


def test_the_plot_names_the_warmest_that_was_believed(files: tuple[Path, Path, float]) -> None:
    """A DS18B20 reads 85 degC until its first conversion (data sheet), which a cup of 40 degC never
    reached."""
    reading = gelcli.follow(*files[:2])
    rows = [row for row in reading.rows if row.probe_K is None or row.probe_K < 313.15]
    warmest_K = max(row.probe_K for row in rows if row.probe_K is not None)
    rows.insert(50, replace(rows[50], probe_K=358.15))
    figure = gelview.draw(rows, replace(reading.last, peak_K=warmest_K), "cup")
    assert f"{warmest_K - 273.15:.1f} °C" in [text.get_text() for text in figure.axes[0].texts]


def test_the_times_in_words(files: tuple[Path, Path, float]) -> None:
    last = gelcli.follow(*files[:2]).last
    last = replace(last, best_s=1260.4, low_s=1101.0, high_s=1440.0, safe_to_stop_s=1447.0)
    said = "Gel of the coat at 21:00 after the parts met (90 % band 18:21 to 24:00); "
    assert gelcli.times_words(replace(last, called_s=None)) == f"{said}safe to stop from 24:07."
    assert gelcli.times_words(replace(last, called_s=1450.0)) == f"{said}called gelled at 24:10."
    inert = replace(last, called_s=None, faults=(gel.GelFault("no_reaction", 300.0),))
    assert gelcli.times_words(inert) == "Nothing reacts, so there is no time to stop at."


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time_s,probe_degC\n1,2\n", "ambient_degC: is missing"),
        ("time_s,probe_degC,ambient_degC\n1,warm,20\n", "probe_degC is warm: must be a number"),
        ("time_s,probe_degC,ambient_degC\n5,20,20\n1,20,20\n", "time_s is 1 s: must be a number"),
        ("time_s,probe_degC,ambient_degC\n", "has no rows"),
    ],
)
def test_a_bad_trace_is_named(
    files: tuple[Path, Path, float], tmp_path: Path, text: str, message: str
) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        gelcli.run(bad, files[1])
    assert message.split(":")[-1].strip() in str(error.value)
    assert str(bad) in str(error.value)


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        ('"cup"\nprobe', '"bucket"\nprobe', "case.placement is bucket: "),
        ("silicone rubber", "cheese", "case.wall_material is cheese: must be one of: silicone"),
        ("coat_mm = 1.3", "coat_mm = 40", "case.coat_mm is 40 mm: must be <= 20"),
        ("[[touch]]", "[touch]", "touch is {'what': 'cup', 'at_s': 850.0}: must be a list"),
        ("cup_mass_g = 114.0", "cup_mass_g = 1", "case.cup_mass_g is 1 g: must be >= 5"),
    ],
)
def test_a_bad_case_is_named(
    files: tuple[Path, Path, float], tmp_path: Path, good: str, bad: str, said: str
) -> None:
    case = tmp_path / "case.toml"
    case.write_text(CASE.replace(good, bad), encoding="utf-8")
    with pytest.raises(InputError) as error:
        gelcli.run(files[0], case)
    assert str(error.value).startswith(f"{case}: {said}")
    assert "\n" not in str(error.value)


def test_a_trace_that_is_not_there(files: tuple[Path, Path, float], tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot be read: No such file or directory$"):
        gelcli.run(tmp_path / "none.csv", files[1])


def test_a_remark_of_ones_own_is_noted(files: tuple[Path, Path, float], tmp_path: Path) -> None:
    trace = files[0]
    own = tmp_path / "own.toml"
    own.write_text(CASE.replace("[case]", '[case]\nbench = "by the door"'), encoding="utf-8")
    lines = gzip.decompress(trace.read_bytes()).decode().splitlines()
    short = tmp_path / "short.csv"
    short.write_text("\n".join(lines[:5]) + "\n", encoding="utf-8")
    assert gelcli.run(short, own)["notes"][1] == "case.bench is not known and was left out"


def test_every_reading_counts_once(files: tuple[Path, Path, float]) -> None:
    rows = list(gelcli.read_trace(files[0]))
    assert np.all(np.diff([row.time_s for row in rows]) > 0)
    assert sum(row.probe_K is None for row in rows) == len(rows[7::40])
