"""The compiled time steps against their readable reference."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from evenwall.numerics import cure, cure_march, native

ROOM_K = 296.15
SHEET = cure.Sheet(840.0, 0.1, ROOM_K, 0.3, 0.5, 1080.0, peak_K=369.15)
LANES = 11  # not a multiple of the kernel's eight


@pytest.mark.parametrize(("induction_s", "own_order"), [(0.0, 1.0), (500.0, 1.0), (500.0, 0.8)])
def test_kernel_and_reference_agree(
    induction_s: float, own_order: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Same arithmetic in another order, through exponentials good to four units in the last
    place: 1e-9 K leaves room for 140 steps of that."""
    rng = np.random.default_rng(1)
    kin = cure.kinetics_from_sheet(SHEET)
    kin = replace(
        kin,
        rate_1_s=kin.rate_1_s * rng.lognormal(0.0, 0.2, LANES),
        induction_s=induction_s,
        own_order=own_order,
    )
    around = cure.Surroundings(
        0.1 * rng.lognormal(0.0, 0.2, LANES), 295.0, 290.0, 120.0, 1.3e-3, 12e-3,
        cure.WALL_MATERIALS["silicone rubber"],
    )  # fmt: skip
    air_K = ROOM_K + np.sin(np.arange(140) / 20.0)
    assert cure_march._kernel() is not None  # otherwise nothing is tested here
    fast = cure.integrate(kin, around, air_K, 20.0, LANES)
    monkeypatch.setattr(cure_march, "_kernel", lambda: None)
    slow = cure.integrate(kin, around, air_K, 20.0, LANES)
    assert fast[0] == pytest.approx(slow[0], abs=1e-9)
    assert fast[1] == pytest.approx(slow[1], abs=1e-11)
    assert slow[1][-1].min() > 0.1


def test_lanes_of_every_kind_side_by_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lanes with and without delay and without a reaction: each result is the same as on its own,
    in the kernel and in the reference. A lane without induction once lost its first step, half a
    per cent of its gel time, next to a delayed one."""
    kin = cure.kinetics_from_sheet(SHEET)
    kinds = np.arange(27) // 9  # so that the kernel's eight hold one kind, and two
    rate = np.where(kinds == 2, 1e-12, float(kin.rate_1_s))
    induction_s = np.where(kinds == 1, 500.0, 0.0)
    around = cure.Surroundings(
        0.1, 295.0, 290.0, 120.0, 1.3e-3, 12e-3, cure.WALL_MATERIALS["silicone rubber"]
    )
    air_K = np.full(140, ROOM_K)
    together = replace(kin, rate_1_s=rate, induction_s=induction_s)
    fast = cure.integrate(together, around, air_K, 20.0, 27)
    monkeypatch.setattr(cure_march, "_kernel", lambda: None)
    slow = cure.integrate(together, around, air_K, 20.0, 27)
    for kind in range(3):
        lane = 9 * kind
        alone = replace(kin, rate_1_s=rate[lane], induction_s=induction_s[lane])
        one = cure.integrate(alone, around, air_K, 20.0)
        assert np.ptp(fast[1][..., kinds == kind], axis=-1).max() < 1e-11
        assert fast[1][..., lane] == pytest.approx(slow[1][..., lane], abs=1e-11)
        assert fast[1][..., lane] == pytest.approx(one[1][..., 0], abs=1e-11)
    assert fast[1][..., 18:].max() == 0.0


@pytest.mark.parametrize("order", [1.0, 1.05, 2.0, 3.5])
def test_a_resin_that_has_used_itself_up_stays_so(order: float) -> None:
    """With first order, 1 - alpha falls as exp(-k t) and is exactly 0 after a while. A fit that
    reached this used to continue with nan."""
    kin = replace(cure.kinetics_from_sheet(SHEET), rate_1_s=0.05, order=order)
    around = cure.Surroundings(
        0.1, 295.0, 290.0, 120.0, 1.3e-3, 12e-3, cure.WALL_MATERIALS["silicone rubber"]
    )
    temps, alphas = cure.integrate(kin, around, np.full(400, ROOM_K), 20.0, LANES)
    assert np.isfinite(temps).all()
    assert (np.diff(alphas, axis=0) >= 0.0).all()
    assert 0.8 < alphas[-1].min() <= alphas[-1].max() <= 1.0


def test_the_kernel_leaves_the_process_its_subnormals() -> None:
    """IEEE 754's gradual underflow: a library that switches it off does so for the whole process,
    and a process in which it is already off would hide that."""
    seen = "from evenwall.numerics.cure_march import _kernel as it; "
    seen += "print(it() is not None, 2.0**-1073 / 2.0)"
    run = subprocess.run((sys.executable, "-c", seen), capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["True", "5e-324"]


def test_without_a_compiler_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "no-such-compiler")
    with pytest.raises(native.NoCompiler, match="no C compiler"):
        native.library(cure_march._SOURCE)
