"""Random errors of a blind casting, drawn from a seed and hidden from planning and turning.

The spreads are those of a careful small shop (common practice, no source); where a figure has a
literature range, `Draw` says so.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Draw:
    """Random errors of one casting; figures per coat are tuples.

    activation, viscosity, loss: factors on the activation energy, the mixed viscosity and the
    mould's heat loss to the room. batch: factors on the cure's rate. hands_s: delay of a coat's
    turning against the plan. waits_s: delay of the next pour after the first allowed moment. pour:
    factors on the resin that reaches the wall. end_K: one end of the mould over its middle.
    tension_N_m: 0.025 to 0.045, liquid epoxies and urethanes (from memory). shrinks: of the volume
    after the gel, 2 to 5 % (typical range, from memory).
    """

    seed: str
    activation: float
    viscosity: float
    loss: float
    tension_N_m: float
    shrinks: float
    end_K: float
    backlash_rad: float
    heavy_rad: float
    tilt_rad: tuple[float, float]
    batch: tuple[float, ...]
    hands_s: tuple[float, ...]
    waits_s: tuple[float, ...]
    pour: tuple[float, ...]


def draw(seed: str | int, coats: int) -> Draw:
    """Draw one casting; the same seed gives the same casting anywhere."""
    luck = random.Random(f"blind/{seed}")
    return Draw(
        seed=str(seed),
        activation=luck.uniform(0.9, 1.1),
        viscosity=luck.uniform(0.8, 1.2),
        loss=luck.uniform(0.75, 1.35),
        tension_N_m=luck.uniform(0.025, 0.045),
        shrinks=luck.uniform(0.02, 0.05),
        end_K=luck.uniform(-2.0, 2.0),
        backlash_rad=math.radians(luck.uniform(0.0, 0.3)),
        heavy_rad=luck.uniform(0.0, 2.0 * math.pi),
        tilt_rad=(math.radians(luck.uniform(-0.5, 0.5)), math.radians(luck.uniform(-0.5, 0.5))),
        batch=tuple(math.exp(luck.gauss(0.0, luck.uniform(0.08, 0.10))) for _ in range(coats)),
        hands_s=tuple(luck.uniform(-30.0, 30.0) for _ in range(coats)),
        waits_s=tuple(luck.uniform(0.0, 300.0) for _ in range(coats)),
        pour=tuple(luck.uniform(0.95, 1.05) for _ in range(coats)),
    )


def plain(coats: int) -> Draw:
    """Return a draw without random errors: every figure at the middle of its range."""
    one, none = (1.0,) * coats, (0.0,) * coats
    return Draw(
        "plain", 1.0, 1.0, 1.0, 0.035, 0.035, 0.0, 0.0, 0.0, (0.0, 0.0), one, none, none, one
    )
