"""Film-steps of a plan's search: without earlier plans, and begun with an earlier plan's spins.

A film-step is one step of one film on one mesh; its cost goes with the mesh's cells. Neither
depends on the machine. `like`: the earlier plan is of the form scaled by 1.12.

    python -m tests.bench film_steps
    FORMS="lantern-globe" python -m tests.bench film_steps
    ONLY=1 python -m tests.bench film_steps   from nothing alone
    SMALL=1 python -m tests.bench film_steps  with the small search of the bench of photographs

judged: the thinnest patch on cells of 5.4 mm, by the film's own rules.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import trimesh

from evenwall.model import Casting, Plan, read_casting
from evenwall.numerics import native
from evenwall.planning import make, make_plan, walls
from evenwall.planning.earlier import Earlier, earlier_of
from evenwall.units import percent
from tests.bench.bench_film import apart
from tests.bench.bench_first_answer import processor_s
from tests.bench.bench_photographs import SMALL, lowest
from tests.support.virtual_shop import SAMPLES, sample_rig

FORMS = ("lantern-globe", "lighthouse", "bell-shade", "sea-rock")
SCALED = 1.12
JUDGE_MM = 5.4


@dataclass
class Counted:
    """Films, their steps, and steps times cells; the last two also for each mesh."""

    films: int = 0
    steps: int = 0
    cell_steps: int = 0
    meshes: dict[str, list[int]] = field(default_factory=dict)

    def words(self) -> str:
        """Say what each mesh took."""
        parts = (
            f"{name}: {films} films, {percent(of / self.cell_steps)}"
            for name, (films, of) in self.meshes.items()
        )
        return "; ".join(parts)


@contextmanager
def counting() -> Iterator[Counted]:
    """Count what the planner computes."""
    counted, coats = Counted(), walls.coats

    def count(mesh: Any, batch: Sequence[Any], **more: Any) -> Any:
        found = coats(mesh, batch, **more)
        steps = sum(one.steps for one in found)
        counted.films += len(found)
        counted.steps += steps
        counted.cell_steps += steps * mesh.cells
        mine = counted.meshes.setdefault(f"{mesh.cells} cells", [0, 0])
        mine[0] += len(found)
        mine[1] += steps * mesh.cells
        return found

    walls.coats = count
    try:
        yield counted
    finally:
        walls.coats = coats


def row(name: str, how: str, casting: Casting, earlier: tuple[Earlier, ...]) -> Plan:
    """Print one line of the table."""
    began_s = processor_s()
    with counting() as counted:
        plan = make_plan(casting, sample_rig(), earlier=earlier)
    wall = plan.wall
    worst = (wall.worst_case_min_mm or 0.0) / wall.mean_mm
    cells = (
        name,
        how,
        counted.films,
        f"{counted.steps / 1e6:.2f}",
        f"{counted.cell_steps / 1e9:.2f}",
        f"{(wall.min_mm or 0.0) / wall.mean_mm:.3f}",
        f"{worst:.3f}",
        f"{processor_s() - began_s:.0f}",
        f"{lowest(plan, JUDGE_MM)['thinnest']:.3f}",
    )
    print("|", " | ".join(map(str, cells)), "|", flush=True)
    print(f"  {counted.words()}", file=sys.stderr, flush=True)
    return plan


def scaled(casting: Casting, folder: Path) -> Casting:
    """The casting of the same form, larger."""
    mesh = trimesh.load_mesh(casting.mesh)
    mesh.apply_scale(SCALED)
    path = folder / f"{casting.mesh.stem}-larger.ply"
    mesh.export(path)
    return casting.model_copy(update={"mesh": path, "shape": None})


def cost() -> None:
    """Print the cost of a film-step for each of a mesh's cells, with this machine's vectors and
    with those of 128 bits that an ARM Cortex-A72 has."""
    code = (
        "import time; from evenwall.numerics import native; native._NATIVE = [{flags}];"
        "from tests.bench.bench_film import batch, open_sphere;"
        "from evenwall.numerics.film import coats;"
        "from evenwall.planning.walls import COARSE;"
        "mesh = open_sphere(7.0); many = batch(mesh, 60.0, 16); coats(mesh, many[:1]);"
        "coats(mesh, batch(mesh, 1.0, 16));"
        "a = time.process_time(); found = coats(mesh, many, numerics=COARSE);"
        "took_s = time.process_time() - a; steps = sum(one.steps for one in found) * mesh.cells;"
        "print(mesh.cells, took_s / steps * 1e9)"
    )
    for words, flags in (("its own", native._NATIVE[0]), ("128-bit", ["-march=x86-64-v2"])):
        with tempfile.TemporaryDirectory() as cache:
            said = apart("-c", code.format(flags=flags), XDG_CACHE_HOME=cache).split()
        print(f"{words} vectors: {float(said[1]):.1f} ns a step and cell, {said[0]} cells")


def main() -> None:
    """Print the table."""
    cost()
    wanted = os.environ.get("FORMS", ",".join(FORMS)).split(",")
    print("| form | begun with | films | film-steps, 10^6 | times cells, 10^9 | thinnest | "
          "worst day | processor, s | judged |")  # fmt: skip
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    if os.environ.get("SMALL") == "1":
        make.FULL = SMALL  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as scratch:
        for name in wanted:
            casting = read_casting(SAMPLES / f"{name}.toml")
            first = earlier_of(row(name, "nothing", casting, ()))
            if first is None or os.environ.get("ONLY") == "1":
                continue
            row(name, "the same mould", casting, (first,))
            larger = scaled(casting, Path(scratch))
            row(f"{name}, larger", "a form like it", larger, (first,))
            row(f"{name}, larger", "nothing", larger, ())


if __name__ == "__main__":
    main()
