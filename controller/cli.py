"""The `evenwall` command. Words in, words out; JSON alone on standard output when asked for.

Exit codes: 0 done; 1 the run or check failed; 2 bad usage or bad input; 3 rig or probe fault;
130 interrupted, with the record closed cleanly.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.errors import EvenwallError, InputError
from firmware_bridge.contract import BridgeError

RIG_FAULT, INTERRUPTED = 3, 130


def note(text: str) -> None:
    """Progress and remarks go to standard error, so that --json stays one document."""
    print(text, file=sys.stderr, flush=True)


def show_json(document: object) -> None:
    json.dump(document, sys.stdout, indent=1, allow_nan=False)
    print(flush=True)


@contextmanager
def progress_bar(title: str) -> Iterator[Callable[[float, str], None]]:
    """A bar on standard error; the callable takes the fraction done and a few words."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[words]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=False) as progress:
        task = progress.add_task(title, total=1.0, words="")

        def tell(fraction: float, words: str) -> None:
            progress.update(task, completed=fraction, words=words)

        yield tell


def parser() -> argparse.ArgumentParser:
    top = argparse.ArgumentParser(
        prog="evenwall",
        description="Plans, turns and records hollow clear resin castings with a computed wall.",
    )
    top.add_argument("--traceback", action="store_true", help="show where an error came from")
    sub = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, text: str, run: Callable[[argparse.Namespace], int]) -> Any:
        command = sub.add_parser(name, help=text, description=text)
        command.set_defaults(run=run)
        return command

    c = add("plan", "coats, weights, clock, spin profiles and predicted wall of a casting", plan)
    c.add_argument("casting", type=Path, metavar="CASTING.toml")
    c.add_argument("--rig", type=Path, metavar="RIG.toml", help="default: the small sample rig")
    c.add_argument("--out", type=Path, metavar="PLAN.json")
    c.add_argument("--report", type=Path, metavar="FILE.html/.pdf", help="a plan to print")
    c.add_argument("--json", action="store_true")
    c.add_argument("--time-budget-s", type=float, metavar="N")
    c.add_argument("--seed", type=int, default=0, metavar="N")

    c = add("wall", "computes the wall of a plan again, on any mesh size", wall)
    c.add_argument("plan", type=Path, metavar="PLAN.json")
    c.add_argument("--mesh-mm", type=float, metavar="X")
    c.add_argument("--out", type=Path, metavar="FILE.png/.ply/.html")
    c.add_argument("--json", action="store_true")

    c = add("gel", "reads a logged exotherm row by row and says when the coat gelled", gel)
    c.add_argument("trace", type=Path, metavar="TRACE.csv[.gz]")
    c.add_argument("--case", type=Path, required=True, metavar="CASE.toml")
    c.add_argument("--plot", type=Path, metavar="FILE.png")
    c.add_argument("--json", action="store_true")

    c = add("serve", "the controller with its panel and telemetry", serve)
    c.add_argument("--rig", type=Path, metavar="RIG.toml")
    _serving(c)

    c = add("spin", "runs a plan from the terminal; same supervisor, same record", spin)
    c.add_argument("plan", type=Path, metavar="PLAN.json")
    c.add_argument("--rig", type=Path, metavar="RIG.toml")
    _serving(c)

    c = add("replay", "runs a proven run again, by cure progress", replay)
    c.add_argument("run_id", metavar="RUN")
    c.add_argument("--rig", type=Path, metavar="RIG.toml")
    _serving(c)

    c = add("demo", "the whole main job on the simulated rig", demo)
    c.add_argument("--speed", type=float, default=60.0, metavar="N", help="times faster than life")
    c.add_argument("--exit", action="store_true", help="end after the last coat")
    c.add_argument("--json", action="store_true", help="print the summary as JSON")
    c.add_argument("--casting", type=Path, metavar="CASTING.toml")
    c.add_argument("--seed", type=int, default=0, metavar="N")
    _serving(c)

    c = add("runs", "the record", runs)
    c.set_defaults(action="list", json=False)
    _data(c)
    acts = c.add_subparsers(dest="action", metavar="list / show / report / export / import / prove")
    _record_actions(acts)

    c = add("rig", "the frame itself", rig)
    c.add_argument("--rig", type=Path, metavar="RIG.toml")
    acts = c.add_subparsers(dest="action", required=True, metavar="check / home / park / turn")
    acts.add_parser("check", help="tries every part and says what to do about each failure")
    acts.add_parser("home", help="finds the index of both axes")
    a = acts.add_parser("park", help="stands the opening up (to pour) or down (to drain)")
    a.add_argument("where", choices=("up", "down"))
    a = acts.add_parser("turn", help="turns slowly, for balancing")
    a.add_argument("axis", choices=("major", "minor"))
    a.add_argument("--rate-rpm", type=float, default=1.0)
    a.add_argument("--turns", type=float, default=1.0)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    args = parser().parse_args(argv)
    run: Callable[[argparse.Namespace], int] = args.run
    try:
        return run(args)
    except KeyboardInterrupt:
        note("Interrupted.")
        return INTERRUPTED
    except EvenwallError as error:
        if args.traceback:
            raise
        note(f"evenwall: {error}")
        return error.exit_code
    except BridgeError as error:
        if args.traceback:
            raise
        note(f"evenwall: rig: {error}")
        return RIG_FAULT


def plan(args: argparse.Namespace) -> int:
    from controller.model import read_casting
    from controller.plan import make_plan
    from controller.plantext import describe

    casting, spec = read_casting(args.casting), sample_rig(args.rig)
    if args.time_budget_s is not None and not args.time_budget_s > 0:
        raise InputError("--time-budget-s", args.time_budget_s, "must be > 0", unit="s")
    with progress_bar("Planning") as tell:
        made = make_plan(
            casting, spec, seed=args.seed, time_budget_s=args.time_budget_s, progress=tell
        )
    if args.out is not None:
        write_text(args.out, made.model_dump_json(indent=1, exclude_none=True))
        note(f"Plan written to {args.out}.")
    if args.json:
        show_json(made.model_dump(mode="json", exclude_none=True))
    else:
        print(describe(made))
    return 0
