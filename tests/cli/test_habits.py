"""Habits of a good command: version, configuration, log, completion, man page, samples, codes."""

from __future__ import annotations

import argparse
import io
import logging
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from evenwall.cli import habits
from evenwall.cli.arguments import parser
from evenwall.cli.main import COMMANDS, _setup, main
from evenwall.cli.printing import progress_bar
from evenwall.errors import InputError
from evenwall.geometry.mould import load_cavity
from evenwall.model import read_casting


@pytest.fixture(autouse=True)
def _own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("JOURNAL_STREAM", raising=False)


def configured(text: str) -> None:
    habits.config_file().parent.mkdir(parents=True, exist_ok=True)
    habits.config_file().write_text(text, encoding="utf-8")


def test_version_is_the_installed_one(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"evenwall {habits.version()}\n"


def test_a_sample_is_a_casting_that_loads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["sample", str(tmp_path / "mine")]) == 0
    told = capsys.readouterr()
    assert load_cavity(read_casting(Path(told.out.split()[0]))).area_cm2 > 100.0
    assert "evenwall plan" in told.err
    assert main(["sample", str(tmp_path / "mine")]) == 2  # nothing is written over
    assert main(["--quiet", "sample", str(tmp_path / "other")]) == 0
    assert capsys.readouterr().err.count("\n") == 1  # the refusal alone


def test_configuration_fills_what_is_left_open(tmp_path: Path) -> None:
    configured('rig = "my-rig.toml"\ndata = "/srv/evenwall"\n')
    args = argparse.Namespace(rig=None, data=Path("here"))
    habits.configure(args)
    assert args.rig == habits.config_file().parent / "my-rig.toml"
    assert args.data == Path("here")  # the command line takes precedence
    args = argparse.Namespace(data=None)
    habits.configure(args)
    assert vars(args) == {
        "data": Path("/srv/evenwall"), "configured_broker": None, "units": "metric",
    }  # fmt: skip


def test_units_may_be_configured(capsys: pytest.CaptureFixture[str]) -> None:
    configured('units = "inch"\n')
    words = parser(COMMANDS).parse_args(["runs", "list"])
    habits.configure(words)
    assert words.units == "inch"
    words = parser(COMMANDS).parse_args(["runs", "--units", "metric", "list"])
    habits.configure(words)
    assert words.units == "metric"  # the command line takes precedence
    configured('units = "ell"\n')
    assert main(["runs"]) == 2
    assert "units is ell: must be one of metric, inch" in capsys.readouterr().err


DAMAGED = (b"", b"\xff\xfe[[[", b"tls = tr", b"tls = 5", b"[broker]\nport = 0", b"x" * 9999)


@pytest.mark.parametrize("content", [*DAMAGED[1:], None])
def test_a_damaged_configuration_keeps_no_controller_from_its_frame(
    content: bytes | None, tmp_path: Path
) -> None:
    """The unit names rig and data, so that `serve` can start; it says what it does without."""
    path = habits.config_file()
    path.parent.mkdir(parents=True)
    if content is None:
        path.mkdir()
    else:
        path.write_bytes(content)
    words = ["serve", "--rig", str(tmp_path / "rig.toml"), "--data", str(tmp_path)]
    args = parser(COMMANDS).parse_args(words)
    habits.configure(args)
    assert "The settings are not used" in args.settings_trouble
    assert str(path) in args.settings_trouble
    assert (args.tls, args.configured_broker, args.units) == (False, None, "metric")
    (tmp_path / "tls").mkdir()
    (tmp_path / "tls" / "server.pem").touch()
    habits.configure(args)
    assert args.tls  # as it was: phones know this page by no other address
    for other in (words[:3], ["spin", "plan.json", *words[1:]]):
        with pytest.raises(InputError):
            habits.configure(parser(COMMANDS).parse_args(other))


def test_a_secure_page_may_be_configured(capsys: pytest.CaptureFixture[str]) -> None:
    configured("tls = true\n")
    plain = argparse.Namespace(tls=False, tls_cert=None)
    habits.configure(plain)
    assert plain.tls is True
    own = argparse.Namespace(
        tls=False, tls_cert=Path("mine.pem")
    )  # the command line takes precedence
    habits.configure(own)
    assert own.tls is False
    configured('tls = "yes"\n')
    assert main(["serve"]) == 2
    assert "tls" in capsys.readouterr().err


def test_the_configured_broker_serves_shop_and_rigs() -> None:
    """The command line takes precedence over the file; a rig file's own broker over both."""
    configured('[broker]\nhost = "broker.lan"\nport = 8883\npassword_file = "secret"\ntls = true\n')
    words = parser(COMMANDS).parse_args(["shop", "--broker-port", "1884"])
    habits.configure(words)
    found = habits.broker(words)
    assert (found.host, found.port, found.tls) == ("broker.lan", 1884, True)
    assert found.password_file == habits.config_file().parent / "secret"
    words = parser(COMMANDS).parse_args(["serve"])
    habits.configure(words)
    served = _setup(words).spec.mqtt
    assert served is not None
    assert served.host == "broker.lan"


def test_shop_without_a_configuration_asks_the_broker_here() -> None:
    words = parser(COMMANDS).parse_args(["shop"])
    habits.configure(words)
    assert (habits.broker(words).host, habits.broker(words).port) == ("127.0.0.1", 1883)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('broker = "here"', r"must be a table"),
        ("[broker]\nport = 99999", "port"),
        ('[broker]\nhots = "x"', "did you mean host"),
    ],
)
def test_a_wrong_broker_is_one_line(text: str, match: str) -> None:
    configured(text)
    with pytest.raises(InputError, match=match):
        habits.configure(argparse.Namespace())


@pytest.mark.parametrize(
    ("text", "match"),
    [("rigg = 'x'", "rigg.*is not a setting"), ("rig = 3", "path in quotes"), ("rig =", "be read")],
)
def test_a_wrong_configuration_is_one_line(text: str, match: str) -> None:
    configured(text)
    with pytest.raises(InputError, match=match):
        habits.configure(argparse.Namespace(rig=None, data=None))
    assert main(["runs"]) == 2


def test_log_has_priorities_for_the_journal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing bus used to be reported to a logger that was not configured."""
    said = logging.getLogger("evenwall.gpio")
    try:
        for stream, first in (("8:1", "<4>evenwall.gpio: "), ("", "warning: evenwall.gpio: ")):
            monkeypatch.delenv("JOURNAL_STREAM", raising=False)
            if stream:
                monkeypatch.setenv("JOURNAL_STREAM", stream)
            habits.set_up_logging(verbose=False, quiet=False)
            said.warning("no spidev here")
            said.info("not told")
            assert capsys.readouterr().err == f"{first}no spidev here\n"
        habits.set_up_logging(verbose=True, quiet=False)
        said.info("told")
        assert capsys.readouterr().err == "info: evenwall.gpio: told\n"
        habits.set_up_logging(verbose=False, quiet=True)
        said.warning("not told")
        assert capsys.readouterr().err == ""
    finally:
        logging.getLogger("evenwall").handlers.clear()
        logging.getLogger("evenwall").setLevel(logging.NOTSET)


@pytest.mark.parametrize("shell", habits.SHELLS)
def test_completion_names_every_command(shell: str) -> None:
    script = habits.completion(parser(COMMANDS), shell)
    assert all(name in script for name in COMMANDS)
    assert "time-budget-s" in script
    if shutil.which(shell):
        checked = subprocess.run([shell, "-n", "/dev/stdin"], input=script, text=True, check=False)
        assert checked.returncode == 0


def test_bash_completes_a_command(tmp_path: Path) -> None:
    (tmp_path / "done.sh").write_text(
        habits.completion(parser(COMMANDS), "bash")
        + 'COMP_WORDS=(evenwall pl); COMP_CWORD=1; _evenwall; echo "${COMPREPLY[*]}"\n'
        + 'COMP_WORDS=(evenwall plan --ou); COMP_CWORD=2; _evenwall; echo "${COMPREPLY[*]}"\n'
    )
    told = subprocess.run(
        ["bash", str(tmp_path / "done.sh")], capture_output=True, text=True, check=True
    )
    assert told.stdout == "plan\n--out\n"


def test_man_page_tells_every_command_option_and_code() -> None:
    page = habits.man_page(parser(COMMANDS))
    for name in COMMANDS:
        assert f".SS {name}\n" in page
    for code, text in habits.EXIT_CODES:
        assert f".B {code}\n{text}" in page
    assert "\\-\\-time\\-budget\\-s" in page
    if shutil.which("man"):  # groff's warnings are errors of the page
        shown = subprocess.run(
            ["man", "--warnings", "-l", "-"], input=page, capture_output=True, text=True, check=True
        )
        assert shown.stderr == ""


COLOUR = re.compile(r"\x1b\[[0-9;]*[1-9][0-9;]*m")  # ECMA-48, SGR with an effect


def drawn(monkeypatch: pytest.MonkeyPatch) -> str:
    """Text that the progress bar writes to a terminal."""
    terminal = io.StringIO()
    monkeypatch.setattr(terminal, "isatty", lambda: True)
    monkeypatch.setattr("sys.stderr", terminal)
    monkeypatch.setenv("TERM", "xterm-256color")
    with progress_bar("Planning") as tell:
        tell(0.5, "half")
        tell(1.0, "done")
    return terminal.getvalue()


def test_no_color_is_obeyed(monkeypatch: pytest.MonkeyPatch) -> None:
    """https://no-color.org: if the variable is set and not empty, there is no colour."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    coloured = drawn(monkeypatch)
    assert COLOUR.search(coloured)
    monkeypatch.setenv("NO_COLOR", "1")
    plain = drawn(monkeypatch)
    assert "Planning" in plain
    assert not re.search(r"\x1b\[[0-9;]*(3[0-7]|38)[0-9;]*m", plain)


def test_every_command_that_prints_facts_has_json() -> None:
    """The others serve, write a script, a page or a plan, or report a run as it happens."""
    told = {"serve", "spin", "replay", "shop", "completion", "man", "seal"}
    found = {
        name
        for name, _, command in habits._commands(parser(COMMANDS))
        if any("--json" in option for one in every(command) for option in one)
    }
    assert found == set(COMMANDS) - told


def every(command: argparse.ArgumentParser) -> list[list[str]]:
    """Options of a command and of its actions."""
    options = [list(action.option_strings) for action in habits._options(command)]
    for _, _, action in habits._commands(command):
        options += every(action)
    return options
