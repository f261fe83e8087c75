"""The `evenwall` command. Words in, words out; JSON alone on standard output when asked for.

Exit codes: 0 done; 1 the run or check failed; 2 bad usage or bad input; 3 rig or probe fault;
130 interrupted, with the record closed cleanly.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenwall.cli import habits, printing
from evenwall.cli.arguments import parser
from evenwall.cli.printing import complain, note, progress_bar, say, show_json
from evenwall.cli.record_folders import journal_of, records_under
from evenwall.cli.sealing import seal
from evenwall.errors import EvenwallError, InputError, naming
from evenwall.model import Order, Plan, Step, orders, read_casting, read_plan
from evenwall.planning.in_words import clock_words, describe, first_words
from evenwall.records.records import to_change
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import BridgeError

if TYPE_CHECKING:
    from evenwall.cli.application import Setup
    from evenwall_web.settings import Settings

RIG_FAULT, INTERRUPTED = 3, 130


def say_which_kernel() -> None:
    """Note it if the film runs slowly because there is no C compiler."""
    from evenwall.numerics.native import why_no_compiler

    if why := why_no_compiler():
        note(f"Note: {why}.")


def main(argv: Sequence[str] | None = None) -> int:
    args = parser(COMMANDS).parse_args(argv)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a pipe also gets the panel's address at once
        # A terminal without Unicode shows a question mark for what it does not have.
        sys.stdout.reconfigure(line_buffering=True, errors="replace")
    run: Callable[[argparse.Namespace], int] = args.run
    printing.choose(quiet=args.quiet)
    habits.set_up_logging(verbose=args.verbose, quiet=args.quiet)
    try:
        habits.configure(args)
        printing.choose(quiet=args.quiet, units=args.units)
        return run(args)
    except KeyboardInterrupt:
        note("Interrupted.")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader closed the pipe; nothing more may be written, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except EvenwallError as error:
        if args.traceback:
            raise
        complain(f"evenwall: {error}")
        return error.exit_code
    except BridgeError as error:
        if args.traceback:
            raise
        complain(f"evenwall: rig: {error}")
        return RIG_FAULT


def _to_file(option: str, path: Path | None, *endings: str) -> None:
    """Check before the work that this file can be written and has a supported ending."""
    if path is None:
        return
    if endings and path.suffix.lower() not in endings:
        raise InputError(option, path, f"must end in {', '.join(endings)}")
    if not os.path.isdir(path.parent):
        raise InputError(option, path, "its folder does not exist")
    if os.path.isdir(path):  # unlike Path, is false for a name that is too long
        raise InputError(option, path, "is a folder: must be a file")


def plan(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app
    from evenwall.cli.lessons import taught_for
    from evenwall.planning import make_plan
    from evenwall.planning.first_answer import first_plan
    from evenwall.planning.limits import falls_short

    casting, spec = read_casting(args.casting), app.sample_rig(args.rig)
    _to_file("--out", args.out)
    _to_file("--report", args.report, ".html", ".pdf")
    if args.time_budget_s is not None and not args.time_budget_s > 0:
        raise InputError("--time-budget-s", args.time_budget_s, "must be > 0", unit="s")
    if args.searches < 1:
        raise InputError("--searches", args.searches, "must be at least 1")
    say_which_kernel()
    home = args.data or app.data_home()
    taught = taught_for(home, casting) if args.lessons else None
    if args.time_budget_s is None and sys.stderr.isatty() and not args.quiet:
        with naming(args.casting):  # a person waits: the search takes minutes
            note(first_words(first_plan(casting, spec, taught=taught)))
    with progress_bar("Planning") as tell, naming(args.casting):
        made = make_plan(
            casting,
            spec,
            seed=args.seed,
            searches=args.searches,
            time_budget_s=args.time_budget_s,
            progress=tell,
            taught=taught,
        )
    _write_plan(made, args)
    if args.json:
        show_json(made.model_dump(mode="json"))
    else:
        say(describe(made))
        search = made.details["search"]
        if not search.get("complete") and not search["interrupted"]:
            note(
                f"The search was stopped after {args.time_budget_s:g} s, before its end. With "
                f"more time, or without --time-budget-s, it may find a more even wall."
            )
        elif falls_short(made.wall) and args.searches == 1:
            note(
                "Another search may find a more even wall. --searches 3 runs three, each from the "
                "best so far, and keeps the best."
            )
    if made.details["search"].get("interrupted"):
        note("Interrupted. This is the best plan so far.")
        return INTERRUPTED
    return 0


def _write_plan(made: Plan, args: argparse.Namespace) -> None:
    """Write the plan's file and its report, if requested."""
    if args.out is not None:
        try:
            args.out.write_text(made.model_dump_json(indent=1), encoding="utf-8")
        except OSError as error:
            raise InputError("--out", args.out, error.strerror or str(error)) from None
        note(f"Plan written to {args.out}.")
    if args.report is not None:
        from evenwall.reports.plan_report import pictures_of, write_report

        note("Drawing the wall ...")
        write_report(made, args.report, pictures_of(made, threads=2, units=args.units), args.units)
        note(f"Report written to {args.report}.")


def shape(args: argparse.Namespace) -> int:
    from evenwall.cli.shape import make

    made = make(args)
    if args.json:
        show_json(made.data())
    else:
        say(made.words())
    return 0


def mounting(args: argparse.Namespace) -> int:
    from evenwall.cli.mounting import run

    return _tried(args, run, "Trying mountings")


def changes(args: argparse.Namespace) -> int:
    from evenwall.cli.changes import run

    return _tried(args, run, "Planning changes")


def _tried(args: argparse.Namespace, run: Callable[..., Any], words: str) -> int:
    """Run a command that tries several ways to make a casting, and print what it found."""
    from evenwall.cli import application as app

    casting, spec = read_casting(args.casting), app.sample_rig(args.rig)
    say_which_kernel()
    with progress_bar(words) as tell, naming(args.casting):
        found = run(args, casting, spec, tell)
    if args.json:
        show_json(found.data())
    else:
        say(found.words())
    return 0


def wall(args: argparse.Namespace) -> int:
    from evenwall.model.seal import untouched
    from evenwall.planning.wall import compute_wall
    from evenwall.reports.wall_view import write

    made = read_plan(args.plan)
    with naming(args.plan):
        untouched(made)
    if not made.sha256:
        note("The plan has no seal, so changes to its figures cannot be detected.")
    _to_file("--out", args.out, ".png", ".ply", ".html")
    say_which_kernel()
    with naming(args.plan):
        result = compute_wall(made, args.mesh_mm, threads=2)
    if args.out is not None:
        write(result, args.out, made.casting.name, args.units)
        note(f"Picture written to {args.out}.")
    s = result.summary()
    if s.shape_error_mm is not None:
        note(
            f"The thinnest patch may be {result.error_mm:.2f} mm off: {s.shape_error_mm:.2f} mm "
            f"from the shape's measures, {s.mesh_error_mm:.2f} mm from the mesh, in quadrature."
        )
    if result.mesh_mm < result.facet_mm:
        note(
            f"The mould's own triangles are about {result.facet_mm:.1f} mm wide where it curves. "
            f"On cells of {result.mesh_mm:.1f} mm the film collects at their edges, and the wall "
            f"is thinner there than in a round mould."
        )
    if args.json:
        show_json(s.model_dump(mode="json"))
    else:
        say(
            f"Wall of {made.casting.name}: mean {s.mean_mm:.2f} mm, thinnest patch {s.min_mm:.2f} "
            f"+- {result.error_mm:.2f} mm, 5 % below {s.p05_mm:.2f} mm, rim {s.rim_mm:.2f} mm "
            f"({s.mesh_mm:.1f} mm mesh)"
        )
    return 0


def _setup(args: argparse.Namespace, castings: Path | None = None) -> Setup:
    from evenwall.cli import application as app

    if not 1.0 <= args.speed <= 240.0:
        raise InputError("--speed", args.speed, "must be from 1 to 240", unit="times life")
    spec = app.sample_rig(args.rig)
    if spec.mqtt is None:
        spec = spec.model_copy(update={"mqtt": args.configured_broker})
    return app.Setup(
        spec=spec,
        data=args.data or app.data_home(),
        castings=castings or app.SAMPLES,
        speed=args.speed,
        seed=args.seed,
        units=args.units,
    )


def _settings(args: argparse.Namespace, data: Path) -> Settings:
    from evenwall.cli.panel import listen
    from evenwall_web.settings import Settings

    port: int = args.port

    if port == 0:
        with listen(args.host, 0) as free:
            port = int(free.getsockname()[1])
    settings = Settings(
        host=args.host,
        port=port,
        state_dir=data / "panel",
        tls_cert=args.tls_cert,
        tls_key=args.tls_key,
        settings_trouble=vars(args).get("settings_trouble", ""),
    )
    if not args.tls:
        return settings
    if args.tls_cert is not None:
        raise InputError("--tls", "set", "cannot be combined with --tls-cert: give one of them")
    from evenwall.cli.panel import with_authority

    return with_authority(settings, data / "tls")


def gel(args: argparse.Namespace) -> int:
    from evenwall.cli.gel import follow, times_words

    _to_file("--plot", args.plot, ".png", ".svg", ".pdf")
    reading = follow(args.trace, args.case)
    if args.plot is not None:
        from evenwall.reports.gel_view import save

        save(args.plot, reading.rows, reading.last, reading.placement, args.units)
        note(f"Plot written to {args.plot}.")
    if args.json:
        show_json(reading.output)
    else:
        say("\n".join(reading.output["notes"]))
        print(times_words(reading.last))
        for fault in reading.output["faults"]:
            over_s, words = fault["over_at_s"], fault["kind"].replace("_", " ")
            until = "" if over_s is None else f", taken back at {clock_words(over_s)}"
            print(f"{clock_words(fault['at_s'])}  {words}{until}")
    return 0


def serve(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app
    from evenwall.cli.castings import own_castings
    from evenwall.cli.serving import serve as work

    setup = _setup(args, args.castings or own_castings(args.data or app.data_home()))
    say_which_kernel()
    if trouble := vars(args).get("settings_trouble"):
        complain(trouble)
    interrupted = asyncio.run(work(setup, _settings(args, setup.data), say))
    return INTERRUPTED if interrupted else 0


def spin(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app
    from evenwall.run.gate import admit

    plan, spec = read_plan(args.plan), app.sample_rig(args.rig)
    with naming(args.plan):
        admit(plan, spec, sent=True)  # refuse it before anything is opened
    return _cast(args, orders.StartOwn(plan=plan))


def replay(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app

    home = args.data or app.data_home()
    where, _ = journal_of(home, args.run_id)
    if where != home:  # the demo's record, beside those of the rigs
        if app.sample_rig(args.rig).backend != "simulated":
            hint = f"it is in the record under {where}"
            raise InputError("RUN", args.run_id, "was not cast on this rig", hint=hint)
        args.data = where
    return _cast(args, orders.Start(run_id=args.run_id))


def _cast(args: argparse.Namespace, what: Order) -> int:
    from evenwall.cli.serving import spin as work

    setup = _setup(args)
    casting = work(setup, _settings(args, setup.data), what, say, scripted=args.scripted)
    last = asyncio.run(casting)
    if last is None:
        return INTERRUPTED
    return 0 if last.step is Step.DONE else 1


def runs(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app
    from evenwall.cli import runs as runscli
    from evenwall.history.export import NoParquet, writable

    home = args.data or app.data_home()
    if (action := args.action or "list") == "list":
        told = runscli.Told([], "No runs yet.")
        tables = [runscli.runs_table(record) for record in records_under(home).values()]
        if tables:
            data = [row for table in tables for row in table.data]
            told = runscli.Told(data, "\n\n".join(table.text for table in tables))
    elif action == "import":
        with app.only_one(home):
            told = runscli.import_runs(to_change(home / app.RECORD), args.folder)
    else:
        folder, journal = journal_of(home, args.run_id)
        if action == "show":
            told = runscli.show_run(journal, args.run_id)
        elif action == "report":
            out = args.out or Path(f"{args.run_id}.html")
            told = runscli.report_run(
                journal, args.run_id, out, args.picture, args.against, args.units
            )
        elif action == "compare":
            told = runscli.compare_runs(journal, args.run_id, args.against)
        elif action == "export":
            formats = args.formats or writable()
            if formats == ("csv",):
                note(f"CSV alone. {NoParquet()}.")
            told = runscli.export_runs(journal, args.run_id, args.out / args.run_id, formats)
        else:
            measured = runscli.measured(args.weight_g, args.rim_mm, args.spot, args.lid_g)
            runscli.agree_to_prove(journal, args.run_id, measured, sure=args.yes, units=args.units)
            with app.only_one(folder):
                journal = to_change(folder / app.RECORD)
                utc = SystemClock().utc().isoformat()
                told = runscli.prove_run(journal, args.run_id, measured, utc, args.reason)
    if args.json:
        show_json(told.data)
    else:
        say(told.text)
    return 0


def rig(args: argparse.Namespace) -> int:
    from evenwall.cli.serving import Wish, by_hand
    from evenwall.devices.rig_check import Found

    fields = ("action", "where", "axis", "rate_rpm", "turns", "may_turn")
    wish = Wish(**{name: getattr(args, name) for name in fields if hasattr(args, name)})
    as_json = getattr(args, "json", False)
    findings = asyncio.run(by_hand(_setup(args), wish, note if as_json else say))
    if as_json:
        show_json([finding.model_dump(mode="json") for finding in findings])
    return RIG_FAULT if any(one.found is Found.BAD for one in findings) else 0


def shop(args: argparse.Namespace) -> int:
    from evenwall.cli.panel import listen
    from evenwall_web.shop import serve_shop

    broker = habits.broker(args)
    with listen(args.host, args.port) as wire:
        print(f"The shop is at http://{args.host}:{wire.getsockname()[1]}/", flush=True)
        serve_shop(broker, wire)
    return 0


def demo(args: argparse.Namespace) -> int:
    from evenwall.cli import application as app
    from evenwall.cli.castings import own_castings
    from evenwall.cli.demo import Demo, run

    args.rig, args.data = None, args.data or app.data_home() / "demo"
    casting = args.casting or own_castings(args.data) / "lantern-globe.toml"
    setup = _setup(args, casting.parent)
    wanted = Demo(setup, casting, _settings(args, setup.data), leave=args.exit)
    tell_person = note if args.json else say
    say_which_kernel()
    with progress_bar("Planning") as tell:
        summary = asyncio.run(run(wanted, tell_person, tell))
    if summary is None:
        return INTERRUPTED
    if args.json:
        show_json(summary)
    good = summary["ended"] == "done" and all(
        coat["done"] and coat["steps_exact"] is not False for coat in summary["coats"]
    )
    return 0 if good else 1


def sample(args: argparse.Namespace) -> int:
    from evenwall.cli.application import SAMPLES

    made = habits.write_sample(args.folder, SAMPLES)
    if args.json:
        show_json([str(path) for path in made])
    else:
        print(*made, sep="\n")
        note(f"Plan it with: evenwall plan {made[0]}")
    return 0


def completion(args: argparse.Namespace) -> int:
    print(habits.completion(parser(COMMANDS), args.shell), end="")
    return 0


def man(_: argparse.Namespace) -> int:
    print(habits.man_page(parser(COMMANDS)), end="")
    return 0


COMMANDS = {
    "sample": sample,
    "completion": completion,
    "man": man,
    "plan": plan,
    "shape": shape,
    "mounting": mounting,
    "changes": changes,
    "gel": gel,
    "serve": serve,
    "spin": spin,
    "seal": seal,
    "replay": replay,
    "runs": runs,
    "rig": rig,
    "shop": shop,
    "wall": wall,
    "demo": demo,
}


if __name__ == "__main__":
    sys.exit(main())
