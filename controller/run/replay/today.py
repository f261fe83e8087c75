"""Adapt a proven run's plan to today's temperatures."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from statistics import fmean

from evenwall.errors import InputError
from evenwall.model import (
    Casting,
    CoatClock,
    CoatPlan,
    Plan,
    Ramp,
)
from evenwall.numerics import cure
from evenwall.planning.batch import (
    CLOSE_UP_S,
    LEAST_DEGAS_S,
    MIX_S,
    POUR_S,
    cure_sheet,
    turn_by_s,
    viscosity_table,
)
from evenwall.planning.coat_heat import Coming, OnWall, met_K, wall_of
from evenwall.run.replay.cure_path import CurePath, CureTable
from evenwall.run.replay.proven import DETAIL, ProvenCoat, ProvenRun, ReplayCoat, ReplayPlan
from evenwall.run.replay.ramps import next_ramps
from evenwall.run.replay.track import Limits, Place, Track
from evenwall.units import R_J_MOLK, kelvin, kilograms, metres

WALL_ROUNDS = 2  # the second pass changes the wall by less than 0.1 K
LEAST_BY_HAND_S = MIX_S + LEAST_DEGAS_S + POUR_S  # from the parts' meeting on


def kinetics_of(casting: Casting) -> cure.Kinetics:
    """Return the kinetics of the casting's resin, from its sheet."""
    return _kinetics(cure_sheet(casting.resin.sheet))


_kinetics = lru_cache(maxsize=16)(cure.kinetics_from_sheet)


def cure_of_coat(
    casting: Casting,
    kin: cure.Kinetics,
    coat_mm: float,
    mixed_g: float,
    poured_s: float,
    room_degC: float,
    mould_degC: float,
) -> cure.CureHistory:
    """Return the coat's cure on its own clock, until well past its gel."""
    span_s = 3.0 * casting.resin.sheet.pot_life_min * 60.0 + poured_s
    for _ in range(5):
        history = cure.coat_history(
            kin,
            metres(coat_mm),
            metres(casting.mould.wall_mm),
            casting.mould.material,
            kelvin(room_degC),
            kelvin(mould_degC),
            poured_s,
            kilograms(mixed_g),
            duration_s=span_s,
        )
        if cure.gel_time_s(history) < span_s / 1.6:
            break
        span_s *= 1.7
    return history


def plan_today(
    plan: Plan,
    proven: ProvenRun,
    room_degC: float,
    mould_degC: float,
    kin: cure.Kinetics | None = None,
    *,
    by_hand_s: float = LEAST_BY_HAND_S,
) -> Plan:
    """Return the proven run's plan, adapted to today's temperatures.

    The weights and the angles over the cure stay the same; times and speeds change. Each coat is
    poured when it has cured as far as the proven one had: on a warmer day earlier, as far as a
    person can; on a colder day the mix waits in its cup. A mix poured sooner is less viscous and
    spreads for longer. A coat that gels early on a warm wall cannot even this out: at -3 K the
    thinnest patch lost 8 %. kin: the resin's kinetics, if more than its sheet is known. by_hand_s:
    shortest time for mixing, degassing and pouring. Raises InputError or OutsideValidity if a coat
    does not gel in such a room.
    """
    kin = kin or kinetics_of(plan.casting)
    walls = _Walls(plan.casting, kin, (room_degC, mould_degC))
    return _made_over(plan, proven, walls, (room_degC, mould_degC), by_hand_s)


def plan_as_it_was(plan: Plan, proven: ProvenRun) -> Plan:
    """Return the run's plan as it was weighed and turned, with the room and mould of every coat."""
    walls = _Walls(plan.casting, kinetics_of(plan.casting), None)
    shops = [walls.shop(was) for was in proven.coats]
    room_degC, mould_degC = (fmean(degC) for degC in zip(*shops, strict=True))
    return _made_over(plan, proven, walls, (room_degC, mould_degC), 0.0)


def _made_over(
    plan: Plan, proven: ProvenRun, walls: _Walls, shop: tuple[float, float], by_hand_s: float
) -> Plan:
    """Return the plan with every coat as it turns on these walls. shop: temperatures of room and
    mould, in degC."""
    kin = walls.kin
    limits = Limits(plan.rig.rate_limit_rpm, plan.rig.accel_limit_rpm_s)
    coats: list[CoatPlan] = []
    kept, late_s = [], 0.0
    for planned, was in zip(plan.coats, proven.coats, strict=True):
        track = Track.of(was)
        pour = _pour_today(walls, planned, was, track, by_hand_s)
        today, poured_s, spin_from_s = pour.path, pour.poured_s, pour.spin_from_s
        late_s = max(late_s, pour.late_s)
        due = track.due_s(today, spin_from_s)
        ramps, _ = next_ramps(track, due, Place(at_s=spin_from_s), limits, float(due[-1]) - 0.01)
        if not ramps:
            said = (
                f"coat {was.coat} would have gelled before the turning begins: there is "
                f"nothing to repeat"
            )
            raise InputError("run", proven.run_id, said)
        thickens = tuple(
            (round(time_s * was.gel_ratio, 2), mu) for time_s, mu in viscosity_table(pour.history)
        )
        met = planned.model_copy(update={"wall_warmer_K": round(pour.wall_warmer_K, 2)})
        coats.append(_coat_today(met, was, thickens, today, ramps, poured_s, spin_from_s))
        walls.laid(planned, was, pour.poured_s, coats[-1].clock.next_pour_from_s)
        kept.append(ReplayCoat(proven=was, today=CureTable.of(today, walls.shop(was)[0])))
    detail = ReplayPlan(
        run_id=proven.run_id,
        sha256=proven.sha256,
        thinning_1_K=kin.viscosity_activation_J_mol / R_J_MOLK / kelvin(shop[0]) ** 2,
        coats=tuple(kept),
    )
    return plan.model_copy(
        update={
            "casting": _in_shop(plan.casting, *shop),
            "coats": tuple(coats),
            "notes": (*plan.notes, *_said(proven, coats, late_s)),
            "details": {**plan.details, DETAIL: detail.model_dump(mode="json")},
            "sha256": "",  # sealed when it is admitted
        }
    )


@dataclass(frozen=True, eq=False)
class _Pour:
    """Pour of a coat today: its cure, and its moments on the coat's clock, in s."""

    history: cure.CureHistory
    path: CurePath
    poured_s: float
    spin_from_s: float
    late_s: float  # later in its cure than the proven coat was when it was poured
    wall_warmer_K: float


@dataclass(eq=False)
class _Walls:
    """Wall as warmed by earlier coats, in the proven run and today, coat by coat.

    Each coat of the proven run was judged on the wall temperature of its plan. Today's differs from
    that by the difference that the heat model computes between the two days: their rooms, moulds,
    pours and rests. So the model's own error cancels, and in the same room nothing changes.
    """

    casting: Casting
    kin: cure.Kinetics
    today: tuple[float, float] | None  # room and mould, degC; None: as each coat's were
    then: list[OnWall] = field(default_factory=list)
    now: list[OnWall] = field(default_factory=list)

    def laid(self, planned: CoatPlan, was: ProvenCoat, poured_s: float, next_pour_s: float) -> None:
        """Add a coat: poured_s and next_pour_s are today's."""
        rested_s = planned.clock.next_pour_from_s
        self.then.append(OnWall(planned.mean_mm, was.poured_s, rested_s))
        self.now.append(OnWall(planned.mean_mm, poured_s, next_pour_s))

    def shop(self, was: ProvenCoat) -> tuple[float, float]:
        """Return the temperatures of room and mould for this coat, in degC."""
        return self.today or _shop_then(was)

    def warmer_K(self, planned: CoatPlan, was: ProvenCoat, poured_s: float) -> float:
        """Return the warming (K) of a mould of one temperature for a coat poured then."""
        if self.today is None or not self.now:
            return planned.wall_warmer_K
        before_K = self._met_K(planned, was, was.poured_s, _shop_then(was), self.then)
        now_K = self._met_K(planned, was, poured_s, self.today, self.now)
        return planned.wall_warmer_K + now_K - before_K

    def cured(
        self,
        planned: CoatPlan,
        was: ProvenCoat,
        poured_s: float,
        shop: tuple[float, float],
        warmer_K: float = 0.0,
    ) -> cure.CureHistory:
        """Return the coat's cure on a mould that is warmer by this much. shop: temperatures of room
        and mould, in degC."""
        return cure_of_coat(
            self.casting,
            self.kin,
            planned.mean_mm,
            was.part_a_g + was.part_b_g,
            poured_s,
            shop[0],
            shop[1] + warmer_K,
        )

    def _met_K(
        self,
        planned: CoatPlan,
        was: ProvenCoat,
        poured_s: float,
        shop: tuple[float, float],
        on_wall: list[OnWall],
    ) -> float:
        def gel_on(warmer_K: float) -> float:
            return cure.gel_time_s(self.cured(planned, was, poured_s, shop, warmer_K))

        coming = Coming(planned.mean_mm, self.cured(planned, was, poured_s, shop), poured_s)
        return met_K(self.kin, wall_of(self.casting, *shop), coming, on_wall, gel_on)


def _shop_then(was: ProvenCoat) -> tuple[float, float]:
    room_degC = was.cure.mean_degC
    return room_degC, room_degC if was.mould_degC is None else was.mould_degC


def _pour_today(
    walls: _Walls, planned: CoatPlan, was: ProvenCoat, track: Track, by_hand_s: float
) -> _Pour:
    """Return the pour at the same place in the cure as the proven one, as far as a person can do
    it."""
    close_up_s = was.spin_from_s - was.poured_s
    if walls.today is not None:  # closing up may take the usual time
        close_up_s = max(close_up_s, CLOSE_UP_S)
    poured_s = was.poured_s
    for _ in range(WALL_ROUNDS):  # the wall cools a little while the cup stands
        warmer_K = walls.warmer_K(planned, was, poured_s)
        for _ in range(8):  # the pour changes the cure a little, and the cure changes the pour
            history = walls.cured(planned, was, poured_s, walls.shop(was), warmer_K)
            today = CurePath.of(walls.kin, history)
            today = today.gelling_at(today.gel_s * was.gel_ratio)
            due_s = float(today.time_at_left(float(track.left_1_Pa[0]))) - close_up_s
            before = poured_s
            poured_s = max(due_s, by_hand_s)
            if abs(poured_s - before) < 0.5:
                break
        if not walls.now:
            break
    return _Pour(history, today, poured_s, poured_s + close_up_s, poured_s - due_s, warmer_K)


def _in_shop(casting: Casting, room_degC: float, mould_degC: float) -> Casting:
    return casting.model_copy(
        update={
            "shop": casting.shop.model_copy(update={"temp_degC": room_degC}),
            "mould": casting.mould.model_copy(update={"temp_degC": mould_degC}),
        }
    )


def _coat_today(
    planned: CoatPlan,
    was: ProvenCoat,
    viscosity: tuple[tuple[float, float], ...],
    today: CurePath,
    ramps: tuple[Ramp, ...],
    poured_s: float,
    spin_from_s: float,
) -> CoatPlan:
    clock = planned.clock
    pace = today.gel_s / clock.gel_expected_s
    last = float(today.age_at(today.gel_s)) / float(was.cure.path().age_at(was.cure.gel_s))

    def same_age(time_s: float) -> float:
        return float(today.time_at_age(was.cure.path().age_at(time_s) * last))

    mix_g = was.part_a_g + was.part_b_g
    pour_from_s = max(0.0, spin_from_s - CLOSE_UP_S - POUR_S)
    # A coat that was poured at once and gelled early leaves less time than its plan had.
    pour_by_s = poured_s + max(clock.pour_by_s - was.poured_s, 0.0) * pace
    pour_by_s = min(pour_by_s, clock.gel_low_s * pace)
    return planned.model_copy(
        update={
            "mix_g": mix_g,
            "part_a_g": was.part_a_g,
            "part_b_g": was.part_b_g,
            "clock": CoatClock(
                pour_from_s=pour_from_s,
                # A person who was slow to close up then may take the usual time now.
                pour_by_s=max(pour_by_s, pour_from_s + POUR_S),
                spin_from_s=spin_from_s,
                turn_by_s=spin_from_s + (turn_by_s(clock) - clock.spin_from_s) * pace,
                gel_expected_s=today.gel_s,
                gel_low_s=clock.gel_low_s * pace,
                gel_high_s=clock.gel_high_s * pace,
                spin_until_s=clock.spin_until_s * pace,
                next_pour_from_s=same_age(clock.next_pour_from_s),
                next_pour_until_s=same_age(clock.next_pour_until_s),
            ),
            "start_deg": was.start_deg,
            "ramps": ramps,
            "viscosity": viscosity,
        }
    )


def _said(proven: ProvenRun, coats: list[CoatPlan], late_s: float) -> list[str]:
    gels = ", ".join(
        f"{now.clock.gel_expected_s / 60:.1f} for {was.cure.gel_s / 60:.1f}"
        for now, was in zip(coats, proven.coats, strict=True)
    )
    said = [
        f"Run {proven.run_id} again, by cure: the coats should gel at {gels} min.",
        "The wall figures are those planned for the proven run.",
    ]
    if late_s > 5.0:
        said.append(
            f"It is too warm to pour as early in the cure as the proven run did, by "
            f"{late_s:.0f} s, so the spreading is shortened. A cooler shop or cooler parts would "
            f"restore the time."
        )
    return said
