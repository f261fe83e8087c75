"""The batched kernel against the plain reference, and what both must conserve."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from evenwall.numerics import native
from evenwall.numerics.film import (
    Coat,
    FilmMesh,
    Fluid,
    Numerics,
    Spin,
    coat,
    coats,
    compiled,
    have_compiler,
    lanes_for,
)
from evenwall.numerics.native import LEVELS
from evenwall.units import rad_s
from tests.support.balls import open_ball

MEAN_M = 1.3e-3


@cache
def open_sphere(edge_mm: float) -> FilmMesh:
    """A ball of 80 mm radius without its cap above z = 50 mm, remeshed."""
    return open_ball(0.08, 0.05, edge_mm, subdivisions=4)


def resin(gel_s: float, mu0_Pa_s: float = 0.6) -> Fluid:
    time_s = np.linspace(0.0, 0.99 * gel_s, 60)
    return Fluid(1080.0, 0.035, time_s, mu0_Pa_s * (1.0 - time_s / gel_s) ** -2.0)


@pytest.mark.parametrize("stabilised", [False, True])
@pytest.mark.parametrize("rim_open", [False, True])
def test_batched_equals_reference_and_keeps_mass(rim_open: bool, stabilised: bool) -> None:
    rules = Numerics(stabilised=stabilised)
    mesh = open_sphere(10.0)
    many = [
        Coat(
            resin(240.0),
            Spin.steady(rad_s(8.0), rad_s(minor), ramp_s=5.0),
            volume_m3=MEAN_M * mesh.total_area,
        )
        for minor in (2.0, -3.1)
    ]
    assert have_compiler()
    for one, batched in zip(
        many, coats(mesh, many, rim_open=rim_open, numerics=rules), strict=True
    ):
        plain = coat(mesh, one, rim_open=rim_open, numerics=rules)
        # single-precision fluxes (6e-8 each) against double ones, over some 4,000 stages
        difference = np.linalg.norm(plain.film_m - batched.film_m)
        assert difference < 1e-6 * np.linalg.norm(plain.film_m)
        assert plain.spilt_m3 == pytest.approx(batched.spilt_m3, rel=1e-5, abs=1e-15)
        assert (plain.spilt_m3 > 0.0) == rim_open
        # 4,000 roundings of 1e-16 each, if all went one way
        assert abs(plain.imbalance) < 1e-12
        assert abs(batched.imbalance) < 1e-12
        assert batched.film_m.min() >= 0.0


def test_a_film_does_not_hang_on_the_width_of_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel of 4, 8 and 16 lanes gives the same bits, also where lanes are refilled."""
    mesh = open_sphere(12.0)
    many = [
        Coat(
            resin(60.0),
            Spin.steady(rad_s(8.0), rad_s(2.0 + 0.3 * k), ramp_s=2.0 + k),
            volume_m3=MEAN_M * mesh.total_area,
        )
        for k in range(9)
    ]
    found = []
    for lanes in (4, 8, 16):
        monkeypatch.setattr(compiled, "lanes_for", lambda coats, threads, lanes=lanes: lanes)
        found.append([(one.film_m, one.steps) for one in coats(mesh, many)])
    for one in found[1:]:
        for (film_m, steps), (wanted_m, wanted) in zip(one, found[0], strict=True):
            np.testing.assert_array_equal(film_m, wanted_m)
            assert steps == wanted


@pytest.mark.parametrize(
    ("features", "floats", "short", "long"),
    [("v4", 16, 8, 16), ("v3", 8, 8, 8), ("v1", 4, 4, 4), ("", 4, 4, 4)],
)
def test_lanes_are_as_many_as_the_machine_computes_abreast(
    monkeypatch: pytest.MonkeyPatch, features: str, floats: int, short: int, long: int
) -> None:
    """Registers of 512, 256 and 128 bits; a machine that is not in the table has 128."""
    has = next((needs for level, _, needs in LEVELS["x86_64"] if level == features), frozenset())
    monkeypatch.setattr(native, "_cpu_flags", lambda: has)
    monkeypatch.setattr(native.platform, "machine", lambda: "x86_64" if features else "riscv64")
    native.floats_abreast.cache_clear()
    try:
        assert native.floats_abreast() == floats
        assert (lanes_for(20, 2), lanes_for(21, 2)) == (short, long)
    finally:
        native.floats_abreast.cache_clear()


# --- Without a C compiler ---------------------------------------------------------------

COAT = """
import sys
from tests.numerics.test_film_kernels import MEAN_M, open_sphere, resin
from evenwall.numerics.film import Coat, Spin, coats
mesh = open_sphere(12.0)
run = coats(mesh, [Coat(resin(20.0), Spin.steady(0.8, 0.2), MEAN_M * mesh.total_area)])[0]
print(run.steps, float(mesh.area @ run.film_m**2), "numba" in sys.modules)
"""


def python(*words: str, **changed: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *words],
        cwd=Path(__file__).resolve().parents[2],
        env=os.environ | changed,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_without_a_compiler_the_reference_serves() -> None:
    """Same steps, same film; and numba comes only with the reference."""
    usual, plain = python("-c", COAT), python("-c", COAT, CC="no-such-compiler")
    assert usual.returncode == plain.returncode == 0, usual.stderr + plain.stderr
    steps, film, numba = usual.stdout.split()
    plain_steps, plain_film, plain_numba = plain.stdout.split()
    assert plain_steps == steps
    assert float(plain_film) == pytest.approx(float(film), rel=2e-6)
    assert (numba, plain_numba) == ("False", "True")


@pytest.mark.parametrize("changed", [{"CC": "no-such-compiler"}, {"PATH": "/nowhere"}])
def test_without_a_compiler_a_person_is_told(changed: dict[str, str]) -> None:
    run = python("-c", "from evenwall.cli.main import say_which_kernel as say; say()", **changed)
    assert run.stdout == ""
    assert run.stderr == (
        f"Note: there is no C compiler ({changed.get('CC', 'cc')}): the film uses the reference "
        f"code, which is about ten times slower.\n"
    )


def test_a_compiler_that_fails_is_told_with_its_words(tmp_path: Path) -> None:
    broken = tmp_path / "cc"
    broken.write_text("#!/bin/sh\necho no space left >&2\nexit 1\n")
    broken.chmod(0o755)
    say = "from evenwall.cli.main import say_which_kernel as say; say()"
    run = python("-c", say, CC=str(broken), XDG_CACHE_HOME=str(tmp_path))
    assert "could not compile kernel.c: no space left" in run.stderr
    assert run.stderr.count("\n") == 1
