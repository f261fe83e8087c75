"""The gel estimate on 368 sound and 270 faulty batches that it was not calibrated on.

320 belong to the trade's own world; in the others the coat's ratio is free or shifted, to test the
estimate's priors. Writes its tables into web/guide/soak.md. Exits non-zero when an invariant broke:
a coat that never gels is never called gelled.
"""

from __future__ import annotations

import sys
from multiprocessing import get_context
from multiprocessing.pool import Pool

from tests.soak.page import write_part
from tests.support import cupsim
from tests.support.gel_scores import (
    Score,
    alarms,
    best_and_worst,
    fault_table,
    figures,
    groups,
    markdown,
    run,
)

SEED = 9700
TRADE, *SHIFTED = cupsim.WORLDS
TRADE_SETS, SET = 4, 80
EACH_SHIFTED, EACH_FAULT = 16, 30
PROCESSES = 2
WANTED = {
    "the trace alone": (
        "7 / 17", "9 / 25", "7.5 / 21", "87 to 93 %", "45 %", "1 %", "12 %", "1 %", "2 %",
    ),
    "the cup touched and one earlier batch": (
        "4 / 11", "9 / 21", "5 / 15", "", "", "", "", "", "",
    ),
}  # fmt: skip
NOTES = {
    "no-ratio": "the coat's ratio as physics gives it",
    "late-coat": "a coat that gels at 1.9 to 2.2 times the cup",
    "early-pot-life": "pot lives printed 12 % short, resins that turn to glass",
}


def job(what: tuple[cupsim.Trace, bool]) -> Score:
    return run(*what)


def made(what: tuple[cupsim.World, int, int, str | None]) -> list[cupsim.Trace]:
    return cupsim.traces(*what)


def scored(pool: Pool, traces: list[cupsim.Trace], memory: bool) -> list[Score]:
    scores = []
    for score in pool.imap(job, [(trace, memory) for trace in traces], chunksize=4):
        scores.append(score)
        if len(scores) % 40 == 0:
            print(f"{len(scores)} of {len(traces)}", file=sys.stderr, flush=True)
    return scores


def page(told: dict[str, tuple[list[Score], list[Score]]], faulty: list[Score]) -> str:
    trade = {name: scores[0] for name, scores in told.items()}
    columns = list(figures(next(iter(trade.values()))))
    wanted = [
        row
        for name, scores in trade.items()
        for row in (
            (f"{name}: wanted", "", *WANTED[name]),
            (f"{name}: found", *figures(scores).values()),
        )
    ]
    parts = [markdown("", columns, wanted)]
    for name, (own, shifted) in told.items():
        moved = [
            (NOTES[world.name], *figures([s for s in shifted if s.world == world.name]).values())
            for world in SHIFTED
        ]
        parts += [
            f"### With {name}",
            groups(own),
            f"False alarms: {alarms(own)}.",
            best_and_worst(own),
            "In worlds that contradict the trade's assumptions:",
            markdown("", columns, moved),
        ]
    return "\n\n".join([*parts, "### Faults", fault_table(faulty)])


def main() -> int:
    sets = [
        *((TRADE, SEED + number, SET, None) for number in range(TRADE_SETS)),
        *((world, SEED, EACH_SHIFTED, None) for world in SHIFTED),
        *((TRADE, SEED, EACH_FAULT, fault) for fault in cupsim.FAULTS),
    ]
    with get_context("fork").Pool(PROCESSES) as pool:
        batches = pool.map(made, sets, chunksize=1)
        print("batches made", file=sys.stderr, flush=True)
        sound = [t for batch in batches[: TRADE_SETS + len(SHIFTED)] for t in batch]
        broken = [t for batch in batches[TRADE_SETS + len(SHIFTED) :] for t in batch]
        told = {}
        for name, memory in zip(WANTED, (False, True), strict=True):
            scores = scored(pool, sound, memory)
            told[name] = scores[: TRADE_SETS * SET], scores[TRADE_SETS * SET :]
        faulty = scored(pool, broken, memory=False)
    found = page(told, faulty)
    print(found)
    write_part("gel", found)
    never = [s for s in faulty if s.fault == "no_reaction" and s.called is not None]
    return 1 if never else 0


if __name__ == "__main__":
    sys.exit(main())
