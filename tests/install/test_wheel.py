"""The built wheel, unpacked far from the repository, on a machine without a compiler."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from contextlib import AbstractContextManager
from pathlib import Path

import httpx
import pytest

from evenwall.numerics import native
from tests.support.quick_demo import quick
from tests.support.served import served

ROOT = Path(__file__).resolve().parents[2]
WORDS = "import sys; from evenwall.cli.main import main; sys.exit(main(sys.argv[1:]))"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Packages as an installer leaves them; the wheel is built in a copy of the source."""
    source, site = (tmp_path_factory.mktemp(name) for name in ("source", "site"))
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\0")
    for name in filter(None, listed):
        if name.startswith("tests/") or not (ROOT / name).is_file():
            continue
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, source / name)
    words = ["-m", "pip", "wheel", ".", "--no-deps", "--no-build-isolation", "-q", "-w", "dist"]
    subprocess.run([sys.executable, *words], cwd=source, check=True, capture_output=True)
    (wheel,) = (source / "dist").glob("*.whl")
    assert wheel.name.endswith(".whl")
    assert "-py3-none-linux_" in wheel.name  # compiled, for every Python 3
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
        for member in packed.infolist():  # as installers do, which keep who may run a file
            (site / member.filename).chmod(member.external_attr >> 16 & 0o777 or 0o644)
    return site


def run(site: Path, *words: str, cwd: Path, before: str = "") -> subprocess.CompletedProcess[str]:
    """Run `evenwall` from the unpacked wheel, with a separate home folder and without a compiler.

    before: Python that is run first.
    """
    told = {"PYTHONPATH": str(site), "HOME": str(cwd), "CC": "/nonexistent", "PATH": "/nonexistent"}
    return subprocess.run(
        [sys.executable, "-c", before + WORDS, *words],
        cwd=cwd,
        env={**told, "LANG": os.environ.get("LANG", "C.UTF-8")},
        capture_output=True,
        text=True,
        check=False,
    )


def test_it_holds_what_the_program_reads(site: Path) -> None:
    """Samples, rigs, panel, shop page, guide, firmware, kernels, types and the licence."""
    for name in (
        "evenwall/samples/lantern-globe.stl",
        "evenwall_hardware/rigs/small.toml",
        "evenwall_hardware/firmware/core/board.c",
        "evenwall_hardware/wiring/small.svg",
        "evenwall_web/panel/index.html",
        "evenwall_web/shop_page/shop.js",
        "evenwall_web/guide/install.md",
        "evenwall_web/top/README.md",
        "evenwall/py.typed",
    ):
        assert (site / name).is_file(), name
    kernels = list((site / "evenwall/numerics/built").glob("*.so"))
    assert len(kernels) == len(native.KERNELS) * len(native.LEVELS[os.uname().machine])
    # Nothing but our own names lands in everybody's site-packages.
    assert {p.name.split("-")[0] for p in site.iterdir()} == {
        *("evenwall", "evenwall_bridge", "evenwall_hardware", "evenwall_web")
    }


@pytest.mark.slow
def test_it_plans_without_a_compiler(site: Path, tmp_path: Path) -> None:
    casting = site / "evenwall/samples/lantern-globe.toml"
    done = run(site, "plan", str(casting), "--time-budget-s", "5", "--out", "p.json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "compiler" not in done.stderr
    assert (tmp_path / "p.json").is_file()


def test_it_tries_a_rig_with_the_firmware_it_brings(site: Path, tmp_path: Path) -> None:
    done = run(site, "rig", "check", cwd=tmp_path)
    assert "ok  link: firmware evenwall" in done.stdout, done.stderr
    assert not list(tmp_path.rglob("libboard.so"))  # none was compiled


def serving(site: Path, *words: str, cwd: Path) -> AbstractContextManager[tuple[str, int]]:
    """A serving command of the wheel; it is ended by Ctrl-C."""
    told = {"PYTHONPATH": str(site), "HOME": str(cwd), "CC": "/nonexistent", "PATH": "/nonexistent"}
    return served([sys.executable, "-c", WORDS, *words], cwd=cwd, env=told)


def test_it_serves_the_panel_and_the_guide(site: Path, tmp_path: Path) -> None:
    with serving(site, "serve", cwd=tmp_path) as (url, _):
        assert httpx.get(f"{url}healthz").status_code == 200
        assert "Evenwall" in httpx.get(url).text
        assert httpx.get(f"{url}guide/web/guide/install.md").status_code == 200


def test_it_serves_the_shop_page_without_a_broker(site: Path, tmp_path: Path) -> None:
    with serving(site, "shop", "--broker-port", "1", cwd=tmp_path) as (url, _):
        page = httpx.get(url)
        assert page.status_code == 200
        assert httpx.get(f"{url}shop/shop.js").status_code == 200
        assert httpx.get(f"{url}api/rigs").json() == []


def changed(file: Path, lines: str, other: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert lines in text
    file.write_text(text.replace(lines, other), encoding="utf-8")


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_it_does_the_whole_job(site: Path, tmp_path: Path) -> None:
    """The demo makes a plan, a coat with the wheel's firmware, and its record.

    The demo's broker is an extra; a finder that does not find it stands for a plain installation.
    """
    hidden = "import importlib.util as u; f = u.find_spec; "
    hidden += "u.find_spec = lambda name, *a: None if name == 'amqtt' else f(name, *a)\n"
    sheet = shutil.copytree(site / "evenwall/samples", tmp_path / "castings") / "quick-clear.toml"
    changed(sheet, "demould_min = 75.0", "demould_min = 20.0")
    casting = sheet.with_name("lantern-globe.toml")
    changed(casting, "wall_mm = 4.5\ncoats = 3", "wall_mm = 1.5\ncoats = 1")
    words = ("demo", "--casting", str(casting), "--exit", "--json", "--speed", "240")
    done = run(site, *words, cwd=tmp_path, before=hidden + quick(plan_budget_s=3.0))
    assert done.returncode == 0, done.stderr
    assert "evenwall[demo]" in done.stderr
    told = json.loads(done.stdout)
    assert told["ended"] == "done"
    assert all(coat["done"] for coat in told["coats"])
    assert not list(tmp_path.rglob("libboard.so"))
    kept = run(site, "runs", "--json", "--data", str(tmp_path / ".local/share/evenwall/demo"),
               cwd=tmp_path)  # fmt: skip
    assert [row["run_id"] for row in json.loads(kept.stdout)] == [told["run"]]


def test_the_guide_reads_the_same_installed(site: Path, tmp_path: Path) -> None:
    """Every page of the guide is there, and every picture that it has in the repository."""
    code = (
        "from evenwall_web import reading as r; "
        "print(sum(r.place(n).is_file() for n in r.PAGES), len(r.PAGES), "
        "sum(len(r.places(g)) for g in (r.DECISIONS, *r.BESIDE)))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={"PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=True,
    )
    here = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert told.stdout == here.stdout
    there, listed, _ = map(int, told.stdout.split())
    assert there == listed


def test_each_kernel_asked_for_is_brought(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The requested kernels are those in the wheel."""
    from evenwall.numerics import cure_march
    from evenwall.numerics.film import compiled
    from evenwall.simulation.blind import flow

    asked: list[tuple[str, tuple[str, ...]]] = []

    def heard(source: Path, *flags: str) -> Path:
        asked.append((source.relative_to(native.PACKAGE).as_posix(), flags))
        raise native.NoCompiler("only asked")

    monkeypatch.setattr(native, "library", heard)
    for lanes in (16, 8, 4):
        with pytest.raises(native.NoCompiler):
            compiled.library.__wrapped__(lanes)
    assert cure_march._kernel.__wrapped__() is None
    with pytest.raises(native.NoCompiler):
        flow._kernel.__wrapped__(flow.FEW)
    assert sorted(asked) == sorted(native.KERNELS)


def test_the_best_level_that_the_machine_has_is_taken(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    machine = "x86_64"
    monkeypatch.setattr(native.platform, "machine", lambda: machine)
    monkeypatch.setattr(native, "BUILT", tmp_path)
    name, flags = native.KERNELS[0]
    source = native.PACKAGE / name
    for level, _, _ in native.LEVELS[machine]:
        (tmp_path / native._built_name(source, flags, level)).touch()
    for level, _, needs in native.LEVELS[machine]:
        monkeypatch.setattr(native, "_cpu_flags", lambda needs=needs: needs)
        found = native.brought_along(source, flags)
        assert found is not None
        assert found.stem.endswith(level)
    assert native.brought_along(source, ("-DL=5",)) is None
