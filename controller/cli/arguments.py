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
PRINTED = "of the figures printed; default: metric"


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
    loudness.add_argument("-q", "--quiet", action="store_true", help="no remarks, errors only")
    loudness.add_argument("-v", "--verbose", action="store_true", help="log what goes on, too")
    top.add_argument("--traceback", action="store_true", help="show where an error came from")
    commands = Commands(top, runs)
    for describe in (
        _plan,
        _shape,
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


def _plan(commands: Commands) -> None:
    command = commands.add(
        "plan", "coats, weights, clock, spin profiles and predicted wall of a casting"
    )
    command.add_argument("casting", type=Path, metavar="CASTING.toml")
    command.add_argument(
        "--rig", type=Path, metavar="RIG.toml", help="default: the small sample rig"
    )
    command.add_argument(
        "--out", type=Path, metavar="PLAN.json", help="what `spin` and `wall` take"
    )
    command.add_argument("--report", type=Path, metavar="FILE.html/.pdf", help="a plan to print")
    _units(command)
    command.add_argument("--json", action="store_true", help="the plan on standard output")
    command.add_argument(
        "--time-budget-s",
        type=float,
        metavar="N",
        help="search no longer than so many seconds; default: as long as it takes, about a minute",
    )
    command.add_argument(
        "--seed",
        type=seed,
        default=0,
        metavar="N",
        help="of the search; the same one, the same plan",
    )
    command.add_argument(
        "--searches",
        type=int,
        default=1,
        metavar="N",
        help="search so often, a minute each, and keep the best",
    )


def _shape(commands: Commands) -> None:
    command = commands.add(
        "shape", "a mould from girths, simple bodies, a scan, photographs or water"
    )
    command.add_argument("measures", type=Path, metavar="NAME.shape.toml")
    command.add_argument(
        "--out", type=Path, metavar="FOLDER", help="where to write; default: beside them"
    )
    command.add_argument("--resin", metavar="RESIN.toml", help="for the casting file, beside it")
    command.add_argument("--wall-mm", type=float, metavar="MM", help="for the casting file")
    _units(command)
    command.add_argument("--json", action="store_true", help="one document on standard output")


def _gel(commands: Commands) -> None:
    command = commands.add(
        "gel", "reads a logged exotherm row by row and says when the coat gelled"
    )
    command.add_argument("trace", type=Path, metavar="TRACE.csv[.gz]")
    command.add_argument(
        "--case",
        type=Path,
        required=True,
        metavar="CASE.toml",
        help="the resin's sheet, where the probe stood, what was touched and when",
    )
    command.add_argument(
        "--plot", type=Path, metavar="FILE.png/.svg/.pdf", help="the curve, and what it was read as"
    )
    _units(command)
    command.add_argument("--json", action="store_true", help="one document on standard output")


def _serve(commands: Commands) -> None:
    command = commands.add("serve", "the controller with its panel and telemetry")
    _serving(command)
    command.add_argument("--castings", type=Path, metavar="FOLDER", help="where casting files are")


def _spin(commands: Commands) -> None:
    command = commands.add("spin", "runs a plan from the terminal; same supervisor, same record")
    command.add_argument("plan", type=Path, metavar="PLAN.json")
    _casting(command)


def _seal(commands: Commands) -> None:
    command = commands.add("seal", "checks a plan that was changed by hand and seals it anew")
    command.add_argument("plan", type=Path, metavar="PLAN.json")


def _replay(commands: Commands) -> None:
    command = commands.add("replay", "runs a proven run again, by cure progress")
    command.add_argument("run_id", metavar="RUN")
    _casting(command)


def _runs(commands: Commands) -> None:
    command = commands.add("runs", "the record: list, show, report, compare, export, import, prove")
    _of_record(command)
    command.set_defaults(json=False, data=None, units=None)
    acts = command.add_subparsers(dest="action", metavar="ACTION")

    def act(name: str, text: str) -> argparse.ArgumentParser:
        action: argparse.ArgumentParser = acts.add_parser(name, help=text, description=text)
        _of_record(action)
        return action

    act("list", "every run, newest first; what `evenwall runs` alone does")
    a = act("show", "coats, weights, gels, steps, faults and notes of a run")
    a.add_argument("run_id", metavar="RUN")
    a = act("report", "pages to print: curves, weights, notes, faults")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--out", type=Path, metavar="FILE.html/.pdf", help="default: RUN.html")
    a.add_argument("--against", default="", metavar="RUN", help="hold it against another run")
    a.add_argument(
        "--picture",
        type=Path,
        nargs="+",
        default=[],
        metavar="FILE.jpg/.png",
        help="of the casting, to print with it",
    )
    a = act("compare", "a run against another, coat by coat; a replay against what it repeats")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("against", nargs="?", default="", metavar="RUN")
    a = act("export", "CSV and Parquet, units in the column names")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--out", type=Path, default=Path(), metavar="FOLDER")
    a.add_argument(
        "--format",
        choices=("csv", "parquet"),
        action="append",
        dest="formats",
        help="default: both; CSV alone where pyarrow is not installed, which is said",
    )
    a = act("import", "takes an exported run into this record")
    a.add_argument("folder", type=Path, metavar="FOLDER")
    a = act("prove", "marks a measured run as proven; it cannot change again")
    a.add_argument("run_id", metavar="RUN")
    a.add_argument("--weight-g", type=float, metavar="G", help="what the casting weighs")
    a.add_argument(
        "--rim-mm", type=float, nargs="+", default=[], metavar="MM", help="in a few places"
    )
    a.add_argument(
        "--spot", nargs="+", default=[], metavar="PLACE=MM", help="the wall, say foot=4.4"
    )
    reason = "needed where the casting contradicts its plan; stays in the record"
    a.add_argument("--reason", default="", metavar="TEXT", help=reason)
    a.add_argument("--yes", action="store_true", help="do not ask once more")


def _rig(commands: Commands) -> None:
    command = commands.add("rig", "the frame itself")
    acts = command.add_subparsers(
        dest="action", required=True, metavar="check / home / park / turn"
    )
    a = acts.add_parser("check", help="tries every part and says what to do about each failure")
    a.add_argument(
        "--turn", dest="may_turn", action="store_true", help="turns each axis a little, too"
    )
    a.add_argument("--json", action="store_true")
    _on_rig(a)
    a = acts.add_parser("home", help="turns each axis slowly until its index is met")
    _on_rig(a)
    a = acts.add_parser("park", help="stands the opening up (to pour) or down (to drain)")
    a.add_argument("where", choices=("up", "down"))
    _on_rig(a)
    a = acts.add_parser("turn", help="turns one axis slowly, for balancing")
    a.add_argument("axis", choices=("major", "minor"))
    a.add_argument("--rate-rpm", type=float, default=1.0, metavar="N")
    a.add_argument("--turns", type=float, default=1.0, metavar="N")
    _on_rig(a)


def _shop(commands: Commands) -> None:
    command = commands.add(
        "shop", "a page with every rig on one broker, the next thing to do first"
    )
    command.add_argument("--broker", metavar="HOST", help="default: 127.0.0.1")
    command.add_argument("--broker-port", type=int, metavar="P", help="default: 1883")
    command.add_argument("--username", metavar="NAME")
    command.add_argument("--password-file", type=Path, metavar="FILE")
    command.add_argument(
        "--ca-file", type=Path, metavar="FILE.pem", help="speak TLS and trust this"
    )
    command.add_argument("--host", default="127.0.0.1", metavar="H", help="default: loopback only")
    command.add_argument("--port", type=int, default=8714, metavar="P", help="0 for any free one")


def _wall(commands: Commands) -> None:
    command = commands.add("wall", "the wall of a plan, computed again")
    command.add_argument("plan", type=Path, metavar="PLAN.json")
    command.add_argument("--mesh-mm", type=float, metavar="X", help="cell spacing; default about 5")
    command.add_argument("--out", type=Path, metavar="FILE.png/.ply/.html", help="a picture of it")
    _units(command)
    command.add_argument("--json", action="store_true", help="one document on standard output")


def _demo(commands: Commands) -> None:
    command = commands.add("demo", "the whole main job on the simulated rig")
    command.add_argument("--exit", action="store_true", help="end after the last coat")
    command.add_argument("--json", action="store_true", help="print the summary as JSON")
    command.add_argument(
        "--casting", type=Path, metavar="CASTING.toml", help="default: the sample lantern globe"
    )
    _serving(command, speed=60.0, rig=False)


def _sample(commands: Commands) -> None:
    command = commands.add("sample", "writes a casting that runs into a folder: mesh and two files")
    command.add_argument("folder", type=Path, metavar="FOLDER")
    command.add_argument("--json", action="store_true", help="the files written, as JSON")


def _completion(commands: Commands) -> None:
    command = commands.add("completion", "prints the completion script of a shell")
    command.add_argument("shell", choices=SHELLS)


def _man(commands: Commands) -> None:
    commands.add("man", "prints the manual page: evenwall man | man -l -")


def _units(command: argparse.ArgumentParser) -> None:
    command.add_argument("--units", choices=("metric", "inch"), help=PRINTED)


def _serving(command: argparse.ArgumentParser, *, speed: float = 1.0, rig: bool = True) -> None:
    command.add_argument("--host", default="127.0.0.1", metavar="H", help="default: loopback only")
    command.add_argument(
        "--port", type=int, default=8713, metavar="P", help="default: 8713; 0 for any free one"
    )
    command.add_argument(
        "--tls", action="store_true", help="a secure page, by a certificate authority of its own"
    )
    command.add_argument(
        "--tls-cert", type=Path, metavar="FILE.pem", help="a certificate of your own"
    )
    command.add_argument("--tls-key", type=Path, metavar="FILE.pem", help="its key")
    _on_rig(command, speed=speed, rig=rig)


def _of_record(command: argparse.ArgumentParser) -> None:
    """Add options that may stand before or after the action; an absent one overrides nothing."""
    command.add_argument("--json", action="store_true", default=argparse.SUPPRESS)
    command.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        default=argparse.SUPPRESS,
        help="where the record lives; default: ~/.local/share/evenwall",
    )
    command.add_argument(
        "--units", choices=("metric", "inch"), default=argparse.SUPPRESS, help=PRINTED
    )


def _casting(command: argparse.ArgumentParser) -> None:
    _serving(command)
    command.add_argument(
        "--scripted",
        action="store_true",
        help="a scripted operator does the hand work, on a simulated rig",
    )


def _on_rig(command: argparse.ArgumentParser, *, speed: float = 1.0, rig: bool = True) -> None:
    if rig:
        command.add_argument("--rig", type=Path, metavar="RIG.toml", help="default: small sample")
    command.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        help="where the record lives; default: ~/.local/share/evenwall" + ("" if rig else "/demo"),
    )
    command.add_argument(
        "--speed",
        type=float,
        default=speed,
        metavar="N",
        help=f"times life, on a simulated rig; default: {speed:g}",
    )
    command.add_argument("--seed", type=seed, default=0, metavar="N", help="of a simulated rig")
    _units(command)
