"""General services of a command: version, configuration, logging, completion, man page, samples.

The configuration file is `evenwall/config.toml` in the XDG configuration folder (XDG Base Directory
Specification 0.8). It gives the rig file, the data folder and the units of printed figures if the
command line does not. Its `tls` makes the panel a secure page; its table `[broker]` names the
broker of `shop` and of a rig whose file names none.
"""

from __future__ import annotations

import argparse
import logging
import os
import shutil
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.model import MqttSpec, parse
from evenwall.units import SHOWN

EXIT_CODES = (
    (0, "done"),
    (1, "the run or the check failed"),
    (2, "bad usage or bad input"),
    (3, "rig or probe fault"),
    (130, "interrupted; the record is closed cleanly"),
)
SHELLS = ("bash", "zsh", "fish")
# Settings of the file, and the attributes of the parsed command line that receive them.
_CONFIGURED = {"rig": "rig", "data": "data"}
_FILES = ("password_file", "ca_file", "secret_file")
_SETTINGS = ", ".join((*_CONFIGURED, "units", "tls", "[broker]"))
# syslog's priorities (RFC 5424, 6.2.1), as journald reads them at the start of a line (sd-daemon).
_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3}


def version() -> str:
    """Return the installed release."""
    return metadata.version("evenwall")


def config_file() -> Path:
    """Return the path of the configuration file."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "evenwall" / "config.toml"


def configure(args: argparse.Namespace) -> None:
    """Fill in options missing on the command line from the configuration file. Raises InputError.

    Sets `rig` and `data` where they are None, `tls` where the command line gives no certificate,
    `units` (metric if nothing chooses them), and `configured_broker` (None without one).

    A command with `lasting` starts without the file if it is damaged and the command line names rig
    and data: a frame may be turning. `settings_trouble` then says so, and the page is secure if it
    was before.
    """
    given = vars(args)
    try:
        _configure(args)
    except InputError as error:
        if not given.get("lasting") or None in (given["rig"], given["data"]):
            raise
        args.configured_broker, args.units = None, given.get("units") or "metric"
        if args.tls_cert is None and (args.data / "tls" / "server.pem").exists():
            args.tls = True
        args.settings_trouble = f"The settings are not used: {error}."


def _configure(args: argparse.Namespace) -> None:
    args.configured_broker = None
    path = config_file()
    found = _settings_in(path)
    if "broker" in found:
        args.configured_broker = _broker(found.pop("broker"), path)
    secure = found.pop("tls", False)
    if not isinstance(secure, bool):
        raise InputError("tls", secure, f"must be true or false in {path}")
    if secure and vars(args).get("tls") is False and args.tls_cert is None:
        args.tls = True
    units = found.pop("units", "metric")
    if units not in SHOWN:
        raise InputError("units", units, f"must be one of {', '.join(SHOWN)} in {path}")
    args.units = vars(args).get("units") or units
    for key, value in found.items():
        if key not in _CONFIGURED:
            raise InputError(key, value, f"is not a setting of {path}", hint=_SETTINGS)
        if not isinstance(value, str):
            raise InputError(key, value, f"must be a path in quotes in {path}")
        name = _CONFIGURED[key]
        if name in vars(args) and getattr(args, name) is None:
            # A relative path starts from the file's folder, so that both can be moved together.
            setattr(args, name, path.parent / Path(value).expanduser())


def _settings_in(path: Path) -> dict[str, Any]:
    """Return what the configuration file holds; nothing if there is none. Raises InputError."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:  # not TOML, or not UTF-8
        raise InputError("file", path, f"cannot be read: {error}") from None


def _broker(table: object, path: Path) -> MqttSpec:
    """Return the broker of the table; its paths start from the configuration file's folder."""
    if not isinstance(table, dict):
        raise InputError("broker", table, f"must be a table, [broker], in {path}")
    beside = {
        name: str(path.parent / Path(value).expanduser())
        for name, value in table.items()
        if name in _FILES and isinstance(value, str)
    }
    return parse(MqttSpec, {**table, **beside}, path)


def broker(args: argparse.Namespace) -> MqttSpec:
    """Return the broker of `shop`, from the command line or from the configuration file."""
    configured = args.configured_broker or MqttSpec()
    said = {
        "host": args.broker,
        "port": args.broker_port,
        "username": args.username,
        "password_file": args.password_file,
        "ca_file": args.ca_file,
        "tls": True if args.ca_file is not None else None,
    }
    told = {name: value for name, value in said.items() if value is not None}
    return parse(MqttSpec, {**configured.model_dump(), **told}, "the command line")


class _Priorities(logging.Formatter):
    """Formatter of one line per record, with a priority number for the journal or a word."""

    def __init__(self, *, for_journal: bool) -> None:
        super().__init__("%(message)s")
        self._for_journal = for_journal

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        line = super().format(record).replace("\n", " | ")
        if self._for_journal:
            return f"<{_PRIORITY.get(record.levelno, 5)}>{record.name}: {line}"
        return f"{record.levelname.lower()}: {record.name}: {line}"


def set_up_logging(*, verbose: bool, quiet: bool) -> None:
    """Send the program's log to standard error: by default from warnings upwards."""
    told = logging.StreamHandler(sys.stderr)
    # systemd sets this if standard error is the journal (systemd.exec, JOURNAL_STREAM).
    told.setFormatter(_Priorities(for_journal="JOURNAL_STREAM" in os.environ))
    ours = logging.getLogger("evenwall")
    ours.handlers[:] = [told]
    ours.setLevel(logging.ERROR if quiet else logging.INFO if verbose else logging.WARNING)


def write_sample(folder: Path, samples: Path) -> list[Path]:
    """Copy a complete casting (file, mesh and resin) into a folder. Raises InputError."""
    names = ("lantern-globe.toml", "lantern-globe.stl", "quick-clear.toml")
    for name in names:
        target = folder / name
        if target.exists():
            raise InputError("FOLDER", target, "already exists: choose an empty folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        made = [Path(shutil.copyfile(samples / name, folder / name)) for name in names]
    except OSError as error:
        raise InputError("FOLDER", folder, error.strerror or str(error)) from None
    return made


# --- Completion and man page: both written from the parser ---------------------------------------


def _commands(top: argparse.ArgumentParser) -> Iterator[tuple[str, str, argparse.ArgumentParser]]:
    for action in top._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, parser in action.choices.items():
                yield name, helps.get(name, ""), parser


def _options(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    return [a for a in parser._actions if a.option_strings and a.help != argparse.SUPPRESS]


def _fish(commands: list[tuple[str, str, argparse.ArgumentParser]]) -> Iterator[str]:
    start = "complete -c evenwall"
    yield f"{start} -f -n __fish_use_subcommand"
    for name, text, parser in commands:
        yield f"{start} -n __fish_use_subcommand -a {name} -d {_quote(text)}"
        seen = f"{start} -n '__fish_seen_subcommand_from {name}'"
        for option in _options(parser):
            words = (
                f"-l {one[2:]}" if one.startswith("--") else f"-s {one[1:]}"
                for one in option.option_strings
            )
            yield f"{seen} {' '.join(words)} -d {_quote(option.help or '')}"


def completion(top: argparse.ArgumentParser, shell: str) -> str:
    """Return a script that completes commands and options in bash, zsh or fish."""
    commands = list(_commands(top))
    if shell == "fish":
        return "\n".join(_fish(commands)) + "\n"
    cases = []
    for name, _, parser in commands:
        words = [o for option in _options(parser) for o in option.option_strings]
        words += [inner for inner, _, _ in _commands(parser)]
        cases.append(f"    {name}) words='{' '.join(words)}' ;;")
    first = " ".join([name for name, _, _ in commands])
    general = " ".join(o for option in _options(top) for o in option.option_strings)
    script = [
        "_evenwall() {",
        '  local here="${COMP_WORDS[COMP_CWORD]}" words=""',
        '  case "${COMP_WORDS[1]}" in',
        *cases,
        f"    *) words='{first} {general}' ;;",
        "  esac",
        f"  [ \"$COMP_CWORD\" -eq 1 ] && words='{first} {general}'",
        '  COMPREPLY=($(compgen -W "$words" -- "$here"))',
        "}",
        "complete -o default -F _evenwall evenwall",
    ]
    if shell == "zsh":
        script.insert(0, "autoload -U +X bashcompinit && bashcompinit")
    return "\n".join(script) + "\n"


def _quote(text: str) -> str:
    return "'" + text.replace("%%", "%").replace("'", "'\\''") + "'"


def man_page(top: argparse.ArgumentParser) -> str:
    """Return the manual page in man(7) markup."""
    lines = [
        f'.TH EVENWALL 1 "" "evenwall {version()}" "User Commands"',
        ".SH NAME",
        "evenwall \\- plan, turn and record hollow clear resin castings",
        ".SH SYNOPSIS",
        ".B evenwall",
        "[OPTION]... COMMAND [ARGUMENT]...",
        ".SH OPTIONS",
        *_options_in_man(top),
        ".SH COMMANDS",
    ]
    for name, text, parser in _commands(top):
        lines += [f".SS {name}", _roff(text + "."), *_options_in_man(parser)]
        for inner, words, below in _commands(parser):
            lines += [".TP", f".B {name} {inner}", _roff(words or "."), *_options_in_man(below)]
    lines += [".SH EXIT STATUS"]
    for code, text in EXIT_CODES:
        lines += [".TP", f".B {code}", _roff(text)]
    lines += [
        ".SH FILES",
        ".TP",
        ".I ~/.config/evenwall/config.toml",
        "rig, data, units, tls and broker, where the command line does not name them",
        ".TP",
        ".I ~/.local/share/evenwall",
        "the record, unless --data names another folder",
        ".SH ENVIRONMENT",
        ".TP",
        ".B NO_COLOR",
        "print without colour",
        ".TP",
        ".B XDG_CONFIG_HOME, XDG_DATA_HOME, XDG_CACHE_HOME",
        "where configuration, records and compiled kernels are",
    ]
    return "\n".join(lines) + "\n"


def _options_in_man(parser: argparse.ArgumentParser) -> list[str]:
    lines = []
    for option in _options(parser):
        value = f" {option.metavar}" if isinstance(option.metavar, str) else ""
        names = ", ".join(option.option_strings)
        lines += [
            ".TP",
            ".B " + _roff(names + value),
            _roff((option.help or "").replace("%%", "%")),
        ]
    return lines


def _roff(text: str) -> str:
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return "\\&" + text if text.startswith((".", "'")) else text
