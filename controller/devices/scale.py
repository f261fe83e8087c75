"""Weighing scale: its weight is shown while parts are weighed, and taken by a press.

A missing scale stops nothing: weights are then typed, and the sheet gives the reason.
"""

from __future__ import annotations

from collections.abc import Callable

from evenwall.model import ScaleView
from evenwall_bridge.contract import Clock, Garbled, LinkLost, Scale

RETRY_S = 3.0


async def watch(scale: Scale, clock: Clock, show: Callable[[ScaleView], None]) -> None:
    """Show every weight of the scale, or its fault. Never returns."""
    try:
        while True:
            try:
                await scale.open()
                while True:
                    show(await _look(scale))
            except LinkLost as error:
                show(ScaleView(problem=f"{error}."))
            await scale.close()
            await clock.sleep(RETRY_S)
    finally:
        await scale.close()


async def _look(scale: Scale) -> ScaleView:
    try:
        weight = await scale.read()
    except Garbled as error:
        return ScaleView(problem=f"{error}.")
    return ScaleView(mass_g=weight.mass_g, steady=weight.steady)
