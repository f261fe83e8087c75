"""Runs a page's commands as a newcomer would type them, in a folder that can be thrown away."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.docs.broker import telling_rig
from tests.docs.pages import ROOT, Block, Command, blocks, differs, fenced, strays
from tests.support.castings import cast

PATIENCE_S = 900
SAMPLES = ROOT / "controller" / "samples"


def toml_of(page: str, name: str) -> str:
    """Return the TOML block of a page that begins with this name."""
    for _, language, lines in fenced(ROOT / page):
        if language == "toml" and lines[0] == f'name = "{name}"':
            return "\n".join(lines) + "\n"
    raise ValueError(f"{page} shows no file of {name}")


def own_casting(folder: Path, casting: str) -> None:
    """The reader's own three files: the README's two, and a mesh."""
    text = toml_of("README.md", "Lantern globe")
    (folder / casting).write_text(text)
    (folder / "resin.toml").write_text(toml_of("README.md", "Quick Clear"))
    shutil.copy(SAMPLES / "lantern-globe.stl", folder / "globe.stl")


@dataclass
class Sandbox:
    """`home` is the reader's folder: a clone, as far as commands use it."""

    home: Path
    ran: dict[str, list[str]] = field(default_factory=dict)

    @property
    def environment(self) -> dict[str, str]:
        cache = os.environ.get("XDG_CACHE_HOME", str(Path.home() / ".cache"))
        return {
            **{k: v for k, v in os.environ.items() if not k.startswith("PYTEST")},
            "PATH": f"{self.home}/.bin:{os.environ['PATH']}:/usr/sbin",
            "HOME": str(self.home / ".home"),
            "XDG_CONFIG_HOME": str(self.home / ".home" / ".config"),
            "XDG_DATA_HOME": str(self.home / ".home" / ".local" / "share"),
            "XDG_CACHE_HOME": cache,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
            "COLUMNS": "100",
        }

    def run(self, text: str, until: str = "") -> tuple[int, list[str]]:
        """Return exit code and lines. until: interrupt the command, as Ctrl-C does, once it has
        printed this."""
        # A shell that runs the tests in the background has them ignore Ctrl-C, and with them this.
        process = subprocess.Popen(
            ["env", "--default-signal=INT", "bash", "-c", text],
            cwd=self.home,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        said: list[str] = []
        if process.stdout is None:
            raise RuntimeError("no output to read")
        with process.stdout as out:
            for line in out:
                said.append(line.rstrip("\n"))
                if until and until in line:
                    os.killpg(process.pid, signal.SIGINT)
                    until = ""
                elif "Press Ctrl-C again" in line:
                    os.killpg(process.pid, signal.SIGINT)
        code = process.wait(PATIENCE_S)
        if until:
            raise AssertionError(f"{text} never said {until}:\n" + "\n".join(said[-20:]))
        return code, [self.plain(line) for line in said if "━" not in line]

    def plain(self, line: str) -> str:
        """Return a line with folders and ports in the form of the page."""
        line = line.replace(str(self.home / ".home"), "/home/you").replace(f"{self.home}/", "")
        port = "8714" if "The shop" in line else "8713"
        return re.sub(r"(http://127\.0\.0\.1):\d+", rf"\1:{port}", line)


# Added so that a test need not wait or share a port with another test.
ADDED = {
    r"evenwall (serve|spin|demo|shop|replay)\b": "--port 0",
    r"evenwall (rig)\b": "--speed 60",
    r"evenwall demo\b": "--data .demo",  # so that the page lists the same run each time
    r"evenwall (spin|replay) .*--scripted": "--speed 120",
}
QUICK = {
    r"evenwall demo\b.*": "python3 -m tests.docs.quick_demo",
    r"evenwall plan\b": "python3 -m tests.docs.quick_plan",
}
SHORT = {r"evenwall wall\b": "--mesh-mm 6.5"}
SLOW = r" --report \S+"  # its pictures take longer than all else


def as_run(text: str, *, short: bool = False) -> str:
    """Return the command of a page in the form in which it is run here."""
    if text.startswith("make "):
        # make would first see to the virtual environment; its recipe's own last line is what counts
        dry = ["make", "-n", "-C", str(ROOT), *shlex.split(text)[1:]]
        recipe = subprocess.run(dry, capture_output=True, text=True, check=True).stdout
        lines = [line for line in recipe.splitlines() if not line.startswith("make")]
        text = lines[-1].replace(".venv/bin/evenwall", "evenwall")
    text = text.replace(".venv/bin/python", "python3")
    if short:
        text = re.sub(SLOW, "", text)
        for pattern, quick in QUICK.items():
            text = re.sub(pattern, quick, text)
    for table in (ADDED, SHORT if short else {}):
        for pattern, more in table.items():
            if re.search(pattern, text):
                text += " " + more
    return text


@contextmanager
def sandbox(page: Path, folder: Path) -> Iterator[Sandbox]:
    """Prepare everything that the commands of this page need before the first one."""
    box = Sandbox(folder)
    for room in ("controller", "hardware", "web", "firmware_bridge", "Makefile", "pyproject.toml"):
        (folder / room).symlink_to(ROOT / room)
    programs = folder / ".bin"
    programs.mkdir()
    for name, module in (("evenwall", " -m evenwall.cli.main"), ("python3", "")):
        (programs / name).write_text(f'#!/bin/sh\nexec {sys.executable}{module} "$@"\n')
        (programs / name).chmod(0o755)
    (folder / ".home" / ".config").mkdir(parents=True)
    with ExitStack() as stack:
        for need in NEEDS.get(str(page.relative_to(ROOT)), ()):
            stack.enter_context(need(box))
        yield box


@cache
def a_cast_record() -> bytes:
    """Make the run that several pages show."""
    with TemporaryDirectory() as folder:
        record = Path(folder) / "record.sqlite"
        cast(record)
        return record.read_bytes()


@contextmanager
def a_finished_run(box: Sandbox) -> Iterator[None]:
    record = Path(box.environment["XDG_DATA_HOME"]) / "evenwall" / "record.sqlite"
    record.parent.mkdir(parents=True, exist_ok=True)
    record.write_bytes(a_cast_record())
    yield


@contextmanager
def own_globe(box: Sandbox) -> Iterator[None]:
    own_casting(box.home, "my-globe.toml")
    yield


@contextmanager
def own_first(box: Sandbox) -> Iterator[None]:
    own_casting(box.home, "casting.toml")
    yield


@contextmanager
def own_shapes(box: Sandbox) -> Iterator[None]:
    """The reader's measurements, as the page shows them, and the resin of the README."""
    for name, file in (("Bell shade", "bell"), ("Bottle", "bottle")):
        text = toml_of("web/guide/measuring.md", name)
        (box.home / f"{file}.shape.toml").write_text(text)
    (box.home / "resin.toml").write_text(toml_of("README.md", "Quick Clear"))
    yield


@contextmanager
def own_case(box: Sandbox) -> Iterator[None]:
    (text,) = (
        lines for _, language, lines in fenced(ROOT / "web/guide/trace.md") if language == "toml"
    )
    (box.home / "case.toml").write_text("\n".join(text) + "\n")
    yield


@contextmanager
def a_rig_on_a_broker(box: Sandbox) -> Iterator[None]:
    with telling_rig(box.home / ".broker") as port:
        for program in ("mosquitto_sub", "mosquitto_pub"):
            (box.home / ".home" / ".config" / program).write_text(f"-p {port}\n")
        yield


NEEDS: dict[str, tuple[Callable[[Sandbox], contextmanager], ...]] = {  # type: ignore[type-arg]
    "README.md": (own_globe, a_finished_run),
    "web/guide/first-casting.md": (own_first, a_finished_run),
    "web/guide/measuring.md": (own_shapes,),
    "web/guide/trace.md": (a_finished_run, own_case),
    "web/guide/mqtt.md": (a_rig_on_a_broker,),
}


def wanted(block: Block, *, long: bool) -> bool:
    return not block.not_run and ("long" in block.notes) <= long


def run(box: Sandbox, block: Block, command: Command, *, short: bool = False) -> list[str]:
    """Return the command's output. Raises AssertionError when it ends badly without having been
    interrupted."""
    until = block.notes.get("until", "")
    code, said = box.run(as_run(command.text, short=short), "" if short else until)
    if code and not until:
        raise AssertionError(f"{block}: {command.text} ended with {code}:\n" + "\n".join(said))
    return said


def departures(page: Path, folder: Path, *, long: bool) -> list[str]:
    """Return the differences between the page and a real run. long: the long commands in full,
    else in short."""
    found = []
    with sandbox(page, folder) as box:
        for block in blocks(page):
            if block.not_run:
                continue
            short = "long" in block.notes and not long
            exact = "numbers vary" not in block.notes
            for command in block.commands:
                said = run(box, block, command, short=short)
                wrong = (
                    strays(command.output, said)
                    if short
                    else differs(command.output, said, exact=exact)
                )
                if wrong:
                    found.append(f"{block}: {command.text}\n{wrong}")
    return found
