"""The demo in virtual time: the same supervisor, board, twin, operator and words, in seconds."""

from __future__ import annotations

import asyncio

from evenwall.cli.serving import tell
from evenwall_bridge.clock import run_virtual
from tests.support.castings import Foresight
from tests.support.virtual_shop import open_shop


async def demo() -> None:
    judge = Foresight()
    async with open_shop(seed=0, judges=judge) as shop:
        judge.twin = shop.twin
        telling = asyncio.create_task(tell(shop, print))  # type: ignore[arg-type]
        await shop.ask("start", plan=shop.plan)
        await shop.operator().work()
        telling.cancel()
        await asyncio.gather(telling, return_exceptions=True)


if __name__ == "__main__":
    run_virtual(demo())
