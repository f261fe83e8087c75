"""Command-line arguments: every command, its options and its help."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NoReturn

from evenwall.cli.habits import EXIT_CODES, SHELLS, version
from evenwall.errors import InputError

Run = Callable[[argparse.Namespace], int]
PRINTED = "units of the printed figures; default: metric"


class OneLineParser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Print one line, as for any bad input, and exit with 2. The usage is in --help."""
        print(f"{self.prog}: {message}; see `{self.prog} --help`", file=sys.stderr, flush=True)
        sys.exit(InputError.exit_code)


def seed(text: str) -> int:
    """Return a seed for a random number generator: a whole number of at least 0."""
    if (value := int(text)) < 0:
        raise argparse.ArgumentTypeError(f"{text} must be at least 0")
    return value


class Commands:
    """Commands of a parser. `add` makes one and sets the function that runs it."""

    def __init__(self, top: argparse.ArgumentParser, runs: Mapping[str, Run]) -> None:
        self._sub = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
        self._runs = runs

    def add(self, name: str, text: str) -> argparse.ArgumentParser:
        command = self._sub.add_parser(name, help=text, description=text)
        command.set_defaults(run=self._runs[name])
        return command


def parser(runs: Mapping[str, Run]) -> argparse.ArgumentParser:
    """Return the parser of `evenwall`. runs: the function behind each command's name."""
    top = OneLineParser(
        prog="evenwall",
        description="Plans, turns and records hollow clear resin castings with a computed wall.",
        epilog="exit codes: " + "; ".join(f"{code} {text}" for code, text in EXIT_CODES),
    )
    top.add_argument("--version", action="version", version=f"evenwall {version()}")
    loudness = top.add_mutually_exclusive_group()
    loudness.add_argument("-q", "--quiet", action="store_true", help="print errors only")
    loudness.add_argument("-v", "--verbose", action="store_true", help="also log progress")
    top.add_argument("--traceback", action="store_true", help="print the traceback of an error")
    commands = Commands(top, runs)
    for describe in (
        _plan,
        _shape,
        _mounting,
        _changes,
        _gel,
        _serve,
        _spin,
        _seal,
        _replay,
        _runs,
        _rig,
        _shop,
        _wall,
        _demo,
        _sample,
        _completion,
        _man,
    ):
        describe(commands)
    return top


def _casting_and_rig(command: argparse.ArgumentParser) -> None:
    command.add_argument("casting", type=Path, metavar="CASTING.toml")
    command.add_argument(
        "--rig", type=Path, metavar="RIG.toml", help="default: the small sample rig"
    )


def _plan(commands: Commands) -> None:
    command = commands.add(
        "plan", "compute the coats, weights, clock, spin profiles and wall of a casting"
    )
    _casting_and_rig(command)
    command.add_argument(
        "--out", type=Path, metavar="PLAN.json", help="write the plan here, for `spin` and `wall`"
    )
    command.add_argument(
        "--report", type=Path, metavar="FILE.html/.pdf", help="write a report to print"
    )
    _units(command)
    command.add_argument("--json", action="store_true", help="print the plan as JSON")
    command.add_argument(
        "--time-budget-s",
        type=float,
        metavar="N",
        help="stop the search after N seconds; default: no limit, a minute and a half",
    )
    command.add_argument(
        "--seed",
        type=seed,
        default=0,
        metavar="N",
        help="seed of the search; the same seed gives the same plan",
    )
    command.add_argument(
        "--searches",
        type=int,
        default=1,
        metavar="N",
        help="search N times and keep the best",
    )
    command.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        help="folder of the record with earlier castings; default: ~/.local/share/evenwall",
    )
    command.add_argument(
        "--no-lessons",
        dest="lessons",
        action="store_false",
        help="plan as if this mould had never been cast and measured",
    )


def _shape(commands: Commands) -> None:
    command = commands.add(
        "shape", "make a mould from girths, simple bodies, a scan, photographs or water"
    )
    command.add_argument("measures", type=Path, metavar="NAME.shape.toml")
    command.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="folder for the files; default: beside the measures",
    )
    command.add_argument(
        "--resin", metavar="RESIN.toml", help="also write a casting file with this resin"
    )
    command.add_argument("--wall-mm", type=float, metavar="MM", help="wall for the casting file")
    _units(command)
    command.add_argument("--json", action="store_true", help="print the result as JSON")


def _mounting(commands: Commands) -> None:
    command = commands.add(
        "mounting", "compare ways to mount a mould in the frame by a short trial of spins"
    )
    _trials(command, "draw the best mountings with their angles")


def _changes(commands: Commands) -> None:
    command = commands.add(
        "changes", "show what would make the thinnest place thicker, by a full plan of each change"
    )
    _trials(command, "draw the thinnest place and the gain of each change")


def _trials(command: argparse.ArgumentParser, drawn: str) -> None:
    """Add the arguments of a command that tries several ways to make a casting."""
    _casting_and_rig(command)
    command.add_argument("--picture", type=Path, metavar="FILE.png/.svg/.pdf", help=drawn)
    command.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the search for spins"
    )
    _units(command)
    command.add_argument("--json", action="store_true", help="print the result as JSON")


def _gel(commands: Commands) -> None:
    command = commands.add(
        "gel", "read a logged exotherm row by row and report when the coat gelled"
    )
    command.add_argument("trace", type=Path, metavar="TRACE.csv[.gz]")
    command.add_argument(
        "--case",
        type=Path,
        required=True,
        metavar="CASE.toml",
        help="resin's sheet, place of the probe, touches and their times",
    )
    command.add_argument(
        "--plot",
        type=Path,
        metavar="FILE.png/.svg/.pdf",
        help="plot the curve and the gel estimate",
    )
    _units(command)
    command.add_argument("--json", action="store_true", help="print the result as JSON")


def _serve(commands: Commands) -> None:
    command = commands.add("serve", "start the controller with its panel and telemetry")
    command.set_defaults(lasting=True)  # it starts without a damaged configuration file
    _serving(command)
    command.add_argument(
        "--castings", type=Path, metavar="FOLDER", help="folder with casting files"
    )


def _spin(commands: Commands) -> None:
    command = commands.add(
        "spin", "run a plan from the terminal, with the same supervisor and record"
    )
    command.add_argument("plan", type=Path, metavar="PLAN.json")
    _casting(command)


def _seal(commands: Commands) -> None:
    command = commands.add("seal", "check a plan that was changed by hand and seal it again")
    command.add_argument("plan", type=Path, metavar="PLAN.json")


def _replay(commands: Commands) -> None:
    command = commands.add("replay", "repeat a proven run by cure progress")
    command.add_argument("run_id", metavar="RUN")
    _casting(command)


def _runs(commands: Commands) -> None:
    command = commands.add(
        "runs", "list, show, report, compare, export, import or prove runs on record"
    )
    _of_record(command)
    command.set_defaults(json=False, data=None, units=None)
    acts = command.add_subparsers(dest="action", metavar="ACTION")

    def act(name: str, text: str) -> argparse.ArgumentParser:
        action: argparse.ArgumentParser = acts.add_parser(name, help=text, description=text)
        _of_record(action)
        return action

    act("list", "list every run, newest first; the default action")
    a = act("show", "show the coats, weights, gels, steps, faults and notes of a run")
    a.add_argument("run_id", metavar="RUN")
    a = act("report", "write pages to print: curves, weights, notes, faults")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--out", type=Path, metavar="FILE.html/.pdf", help="default: RUN.html")
    a.add_argument("--against", default="", metavar="RUN", help="also compare it with another run")
    a.add_argument(
        "--picture",
        type=Path,
        nargs="+",
        default=[],
        metavar="FILE.jpg/.png",
        help="photographs of the casting to print with it",
    )
    a = act("compare", "compare two runs coat by coat; a replay with the run that it repeats")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("against", nargs="?", default="", metavar="RUN")
    a = act("export", "export a run as CSV and Parquet, with units in the column names")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--out", type=Path, default=Path(), metavar="FOLDER")
    a.add_argument(
        "--format",
        choices=("csv", "parquet"),
        action="append",
        dest="formats",
        help="default: both; only CSV, with a note, where pyarrow is not installed",
    )
    a = act("import", "import an exported run into this record")
    a.add_argument("folder", type=Path, metavar="FOLDER")
    _prove(act("prove", "mark a measured run as proven; it can never change again"))


def _prove(a: argparse.ArgumentParser) -> None:
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--weight-g", type=float, metavar="G", help="weight of the casting")
    a.add_argument("--lid-g", type=float, metavar="G", help="cured resin that came off the lid")
    a.add_argument(
        "--rim-mm",
        type=float,
        nargs="+",
        default=[],
        metavar="MM",
        help="thickness of the rim in a few places",
    )
    a.add_argument(
        "--spot",
        nargs="+",
        default=[],
        metavar="PLACE=MM",
        help="thickness of the wall at a place, such as foot=4.4",
    )
    reason = "needed when the casting contradicts its plan; kept in the record"
    a.add_argument("--reason", default="", metavar="TEXT", help=reason)
    a.add_argument("--yes", action="store_true", help="do not ask for confirmation")


def _rig(commands: Commands) -> None:
    command = commands.add("rig", "check, home, park or turn the frame")
    acts = command.add_subparsers(
        dest="action", required=True, metavar="check / home / park / turn"
    )
    a = acts.add_parser("check", help="test every part and name the remedy for each failure")
    a.add_argument(
        "--turn", dest="may_turn", action="store_true", help="also turn each axis a little"
    )
    a.add_argument("--json", action="store_true")
    _on_rig(a)
    a = acts.add_parser("home", help="turn each axis slowly until it finds its index")
    _on_rig(a)
    a = acts.add_parser("park", help="park with the opening up (to pour) or down (to drain)")
    a.add_argument("where", choices=("up", "down"))
    _on_rig(a)
    a = acts.add_parser("turn", help="turn one axis slowly, for balancing")
    a.add_argument("axis", choices=("major", "minor"))
    a.add_argument("--rate-rpm", type=float, default=1.0, metavar="N")
    a.add_argument("--turns", type=float, default=1.0, metavar="N")
    _on_rig(a)


def _shop(commands: Commands) -> None:
    command = commands.add("shop", "serve a page of all rigs on one broker, the most urgent first")
    command.add_argument("--broker", metavar="HOST", help="default: 127.0.0.1")
    command.add_argument("--broker-port", type=int, metavar="P", help="default: 1883")
    command.add_argument("--username", metavar="NAME")
    command.add_argument("--password-file", type=Path, metavar="FILE")
    command.add_argument(
        "--ca-file",
        type=Path,
        metavar="FILE.pem",
        help="use TLS and trust this certificate authority",
    )
    command.add_argument("--host", default="127.0.0.1", metavar="H", help="default: loopback only")
    command.add_argument(
        "--port", type=int, default=8714, metavar="P", help="default: 8714; 0 for any free port"
    )


def _wall(commands: Commands) -> None:
    command = commands.add("wall", "compute the wall of a plan again")
    command.add_argument("plan", type=Path, metavar="PLAN.json")
    command.add_argument("--mesh-mm", type=float, metavar="X", help="cell size; default: about 5")
    command.add_argument(
        "--out", type=Path, metavar="FILE.png/.ply/.html", help="write a picture of the wall"
    )
    _units(command)
    command.add_argument("--json", action="store_true", help="print the result as JSON")


def _demo(commands: Commands) -> None:
    command = commands.add("demo", "run a whole casting on the simulated rig")
    command.add_argument("--exit", action="store_true", help="end after the last coat")
    command.add_argument("--json", action="store_true", help="print the summary as JSON")
    command.add_argument(
        "--casting", type=Path, metavar="CASTING.toml", help="default: the sample lantern globe"
    )
    _serving(command, speed=60.0, rig=False)


def _sample(commands: Commands) -> None:
    command = commands.add(
        "sample", "write a sample casting into a folder: a mesh, a casting and a resin file"
    )
    command.add_argument("folder", type=Path, metavar="FOLDER")
    command.add_argument("--json", action="store_true", help="print the names of the files as JSON")


def _completion(commands: Commands) -> None:
    command = commands.add("completion", "print the completion script of a shell")
    command.add_argument("shell", choices=SHELLS)


def _man(commands: Commands) -> None:
    commands.add("man", "print the manual page: evenwall man | man -l -")


def _units(command: argparse.ArgumentParser) -> None:
    command.add_argument("--units", choices=("metric", "inch"), help=PRINTED)


def _serving(command: argparse.ArgumentParser, *, speed: float = 1.0, rig: bool = True) -> None:
    command.add_argument("--host", default="127.0.0.1", metavar="H", help="default: loopback only")
    command.add_argument(
        "--port", type=int, default=8713, metavar="P", help="default: 8713; 0 for any free port"
    )
    command.add_argument(
        "--tls", action="store_true", help="serve over TLS with the rig's own certificate authority"
    )
    command.add_argument(
        "--tls-cert", type=Path, metavar="FILE.pem", help="serve over TLS with your own certificate"
    )
    command.add_argument("--tls-key", type=Path, metavar="FILE.pem", help="key of your certificate")
    _on_rig(command, speed=speed, rig=rig)


def _of_record(command: argparse.ArgumentParser) -> None:
    """Add options that may stand before or after the action; an absent one overrides nothing."""
    command.add_argument("--json", action="store_true", default=argparse.SUPPRESS)
    command.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        default=argparse.SUPPRESS,
        help="folder of the record; default: ~/.local/share/evenwall",
    )
    command.add_argument(
        "--units", choices=("metric", "inch"), default=argparse.SUPPRESS, help=PRINTED
    )


def _casting(command: argparse.ArgumentParser) -> None:
    _serving(command)
    command.add_argument(
        "--scripted",
        action="store_true",
        help="let a scripted operator do the manual work, on a simulated rig",
    )


def _on_rig(command: argparse.ArgumentParser, *, speed: float = 1.0, rig: bool = True) -> None:
    if rig:
        command.add_argument(
            "--rig", type=Path, metavar="RIG.toml", help="default: the small sample rig"
        )
    command.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        help="folder of the record; default: ~/.local/share/evenwall" + ("" if rig else "/demo"),
    )
    command.add_argument(
        "--speed",
        type=float,
        default=speed,
        metavar="N",
        help=f"speed of a simulated rig in multiples of real time; default: {speed:g}",
    )
    command.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the simulated rig"
    )
    _units(command)
