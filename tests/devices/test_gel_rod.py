"""The gel rod: one contract for the rod on pins and the twin's rod, and further tests of the
pins."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from evenwall.devices.gel_rod import GpioGelRod
from evenwall.devices.gpio import check_pins
from evenwall.devices.interfaces import GelRod
from evenwall.errors import InputError
from evenwall.model import GelRodSpec
from evenwall.simulation.twin.rod import TwinRod
from evenwall_bridge.clock import LoopClock, run_virtual

PINS = {"gel_rod_servo": 18, "gel_rod_far": 23}
SPEC = GelRodSpec()
# A servo's pulse is 1 to 2 ms of 20: the share of the time in which the line is high
# (common practice, no source; gpiozero's own default).
MIDDLE_SHARE = 0.075


class Witness:
    """A cup with a rod on a spring behind the pins: it follows the servo `lag_s` later, or not at
    all."""

    def __init__(self, factory: MockFactory, clock: LoopClock) -> None:
        self.factory, self._clock = factory, clock
        self.lag_s = 0.3
        self.swings = 0
        self._pulled: bool | None = None

    @property
    def pulse_share(self) -> float:
        return float(self.factory.pin("GPIO18").state)

    @property
    def powered(self) -> bool:
        return self.factory.pin("GPIO18").frequency is not None

    def now_s(self) -> float:
        return self._clock.now_s()

    async def sleep(self, duration_s: float) -> None:
        far = self.pulse_share > MIDDLE_SHARE
        if far != self._pulled:
            self._pulled, self._since_s = far, self.now_s()
            self.swings += 1
        await self._clock.sleep(duration_s)
        if self.now_s() - self._since_s >= self.lag_s:
            switch = self.factory.pin("GPIO23")
            switch.drive_low() if far else switch.drive_high()


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    factory.close()


@pytest.fixture(params=["pins", "twin"])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def opened(kind: str, factory: MockFactory, *, gelled: bool) -> GelRod:
    clock = LoopClock()
    if kind == "twin":
        return TwinRod(clock, lambda at_s: 1.1 if gelled else 0.0, 2.0 * SPEC.follows_within_s)
    witness = Witness(factory, clock)
    witness.lag_s = math.inf if gelled else 0.3
    return GpioGelRod(SPEC, PINS, witness, factory)  # type: ignore[arg-type]


def test_contract(kind: str, factory: MockFactory) -> None:
    """A free rod follows within the given time, a rod in a gel does not. In both cases the stroke
    ends, and the rod may be released and closed at any time."""

    async def scenario() -> None:
        for gelled in (False, True):
            rod = opened(kind, factory, gelled=gelled)
            began_s = LoopClock().now_s()
            stroke = await rod.stroke()
            assert stroke.at_s == began_s
            assert (stroke.lag_s is None) == gelled
            assert gelled or 0.0 < (stroke.lag_s or 0.0) <= 2.0 * SPEC.follows_within_s
            rod.rest()
            rod.close()

    run_virtual(scenario())


def test_it_pulls_both_ways_and_then_lets_go(factory: MockFactory) -> None:
    async def scenario() -> None:
        witness = Witness(factory, LoopClock())
        rod = GpioGelRod(SPEC, PINS, witness, factory)  # type: ignore[arg-type]
        assert not witness.powered
        stroke = await rod.stroke()
        assert witness.swings == 2
        # Two strokes of 0.3 s, each seen at the next look.
        assert stroke.lag_s == pytest.approx(0.6, abs=0.12)
        assert not witness.powered
        rod.close()

    run_virtual(scenario())


@pytest.mark.parametrize("far", [False, True])
def test_a_rod_held_on_either_side_does_not_follow(factory: MockFactory, far: bool) -> None:
    """A rod held on the near side misses the first stroke, one held on the far side the second."""

    async def scenario() -> None:
        witness = Witness(factory, LoopClock())
        witness.lag_s = math.inf
        rod = GpioGelRod(SPEC, PINS, witness, factory)  # type: ignore[arg-type]
        if far:
            factory.pin("GPIO23").drive_low()
        assert (await rod.stroke()).lag_s is None
        assert not witness.powered
        rod.close()

    run_virtual(scenario())


@pytest.mark.parametrize("missing", sorted(PINS))
def test_both_pins_are_needed(factory: MockFactory, missing: str) -> None:
    pins = {name: line for name, line in PINS.items() if name != missing}
    with pytest.raises(InputError, match=missing):
        GpioGelRod(SPEC, pins, LoopClock(), factory)


def test_its_pins_are_pins_of_a_rig() -> None:
    check_pins({**PINS, "buzzer": 19})
    with pytest.raises(InputError, match="gel_rod_far"):
        check_pins({**PINS, "buzzer": 23})


def test_the_twins_rod_slows_down_before_it_is_held() -> None:
    """The reason is the rising viscosity before the gel (Castro and Macosko 1982)."""

    async def scenario() -> None:
        lags = []
        for share in (0.0, 0.5, 0.9, 0.95):
            rod = TwinRod(LoopClock(), lambda at_s, share=share: share, 10.0)  # type: ignore[misc]
            lags.append((await rod.stroke()).lag_s)
        assert lags[:3] == pytest.approx([0.3, 0.45, 5.25])  # 0.25 s and 0.05 s / (1 - share)^2
        assert lags[3] is None  # 20 s
        broken = TwinRod(LoopClock(), lambda at_s: 0.0, 10.0)
        broken.stuck = True
        assert (await broken.stroke()).lag_s is None

    run_virtual(scenario())
