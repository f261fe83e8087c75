"""The gel estimate on 320 sound and 81 faulty batches that it was not calibrated on.

The trade's own world makes up most; in the others the coat's ratio is set free or moved, which is
what the estimate's beliefs are tested against. Exits non-zero when an invariant broke: a coat that
never gels is never called gelled.
"""

from __future__ import annotations

import sys
from itertools import product
from multiprocessing import Pool

from controller import cupsim
from tests.gel_scores import Score, fault_table, run, table

SEED = 2000
COUNTS = dict(zip((world.name for world in cupsim.WORLDS), (200, 40, 40, 40), strict=True))
EACH_FAULT = 9
PROCESSES = 2


def job(what: tuple[cupsim.Trace, bool]) -> Score:
    return run(*what)


def made(what: tuple[cupsim.World, int, str | None]) -> list[cupsim.Trace]:
    world, count, fault = what
    return cupsim.traces(world, SEED, count, fault)


def main() -> int:
    sets = [(world, COUNTS[world.name], None) for world in cupsim.WORLDS]
    broken_sets = [(cupsim.WORLDS[0], EACH_FAULT, fault) for fault in cupsim.FAULTS]
    with Pool(PROCESSES) as pool:
        batches = pool.map(made, [*sets, *broken_sets], chunksize=1)
        sound = [trace for batch in batches[: len(sets)] for trace in batch]
        broken = [trace for batch in batches[len(sets) :] for trace in batch]
        jobs = [*product(sound, (False, True)), *product(broken, (False,))]
        scores = []
        for number, score in enumerate(pool.imap(job, jobs, chunksize=4)):
            scores.append(score)
            if number % 50 == 49:
                print(f"{number + 1} of {len(jobs)}", file=sys.stderr, flush=True)
    alone, with_memory = scores[: 2 * len(sound) : 2], scores[1 : 2 * len(sound) : 2]
    faulty = scores[2 * len(sound) :]
    for name, own in (("the trace alone", alone), ("touches and one earlier batch", with_memory)):
        for world in cupsim.WORLDS:
            print(f"-- {name}: the world '{world.name}'")
            table([score for score in own if score.world == world.name])
        print(f"-- {name}: all worlds")
        table(own)
    print("-- faults")
    fault_table(faulty)
    inert = [score for score in faulty if score.fault == "no_reaction" and score.called]
    return 1 if inert else 0


if __name__ == "__main__":
    sys.exit(main())
