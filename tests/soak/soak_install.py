"""From a clone to demo, service, upgrade, backup, uninstall in clean Debian roots, by the README.

Needs root and debootstrap. Both suites a Pi may run, one after the other; EVENWALL_CLEAN_SUITES
names fewer, EVENWALL_CLEAN_TESTS=1 has `make test` run there as well.

This stands in for a Pi, without systemd itself, udev, avahi, GPIO, and a board on USB (the firmware
as a program on a pseudo-terminal stands in for it).
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import HTTPCookieProcessor, Request, build_opener

from evenwall_bridge.clock import SystemClock
from evenwall_bridge.sim_board import PtyBoard
from tests.docs.pages import blocks

HERE = Path(__file__).resolve()
ROOT = HERE.parents[2]
SUITES = os.environ.get("EVENWALL_CLEAN_SUITES", "bookworm trixie").split()
UNIT = "hardware/install/evenwall.service"
BOARD = "run/board"  # in the root: where the stand-in for the board on USB is
LOOK_S = 0.2
BLINK_S = 1.5  # a look, and the naps of a machine that is installing something

# The machine's own way to its package registries goes along, unread.
HOST_SETTINGS = ("/etc/apt/apt.conf.d", "/etc/apt/auth.conf.d", "/etc/pip.conf", "/etc/resolv.conf")
HOST_SETTINGS += ("/etc/hosts",)
CERTIFICATES = "/etc/ssl/certs/ca-certificates.crt"

# The sample rig, on a serial port, without what this machine has not: pins, one-wire probes.
RIG = f"""\
name = "Clean frame"
backend = "serial"
port = "/{BOARD}/board"
confirm_at_rig = false
[[probes]]
kind = "mqtt"
role = "resin"
address = "shop/probe"
[mqtt]
port = 1
"""

INSTALL_PAGE = ROOT / "web" / "guide" / "install.md"
AS_EVENWALL = "setpriv --reuid evenwall --regid evenwall --init-groups env HOME=/var/lib/evenwall "
SAVE = "sudo /opt/evenwall/current/hardware/install/backup.py save /root/evenwall-backup.tar.gz"


def port_for_us() -> int:
    """The service's own port; another where something on this machine has that one."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0 if answers(8713) else 8713))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


PORT = port_for_us()
clock = SystemClock()
nap = threading.Event().wait


@dataclass
class CleanRoot:
    suite: str
    path: Path
    told: list[str] = field(default_factory=list)
    followed: list[str] = field(default_factory=list)

    def tell(self, words: str) -> None:
        self.told.append(words)
        print(f"== {self.suite}: {words}", flush=True)

    def run(self, *command: str, check: bool = True) -> str:
        """Run in the root; print and return what it said."""
        keep = {k: v for k, v in os.environ.items() if k.startswith("PIP_") and "LINKS" not in k}
        bare = {"HOME": "/root", "DEBIAN_FRONTEND": "noninteractive", "LANG": "C.UTF-8"}
        bare["PIP_CERT"] = "/etc/ssl/machine.crt"
        there = [f"{k}={v}" for k, v in (keep | bare).items()]
        path = "PATH=/usr/local/bin:/usr/bin:/usr/sbin:/bin:/sbin"
        began_s = clock.now_s()
        done = subprocess.run(
            ["chroot", self.path, "env", "-i", path, *there, *command],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        print(f"$ {' '.join(command)}   ({clock.now_s() - began_s:.0f} s)\n{done.stdout[-4000:]}")
        sys.stdout.flush()
        if check and done.returncode:
            raise SystemExit(f"{self.suite}: failed: {' '.join(command)}")
        return done.stdout

    def file(self, name: str) -> Path:
        return self.path / name.lstrip("/")


@contextmanager
def clean_root(suite: str) -> Iterator[CleanRoot]:
    root = CleanRoot(suite, Path(f"/var/tmp/evenwall-{suite}"))
    if not root.file("/etc/debian_version").exists():
        subprocess.run(["debootstrap", "--variant=minbase", suite, root.path], check=True)
    for name in HOST_SETTINGS:
        if Path(name).exists():
            root.file(name).parent.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-rLT", name, root.file(name)], check=True)
    # Beside the root's own, which its package of certificates writes anew.
    root.file("/etc/ssl").mkdir(parents=True, exist_ok=True)
    shutil.copy(CERTIFICATES, root.file("/etc/ssl/machine.crt"))
    stand_in = root.file("/usr/local/bin/systemctl")
    shutil.copy(HERE.parents[1] / "install" / "stand_in.py", stand_in)
    root.file("/usr/local/bin/udevadm").write_text("#!/bin/sh\nexit 0\n")
    for program in (stand_in, root.file("/usr/local/bin/udevadm")):
        program.chmod(0o755)
    for left in ("/src", "/opt/evenwall", "/etc/evenwall", "/var/lib/evenwall", f"/{BOARD}"):
        shutil.rmtree(root.file(left), ignore_errors=True)  # by a round that failed
    shutil.rmtree(root.file("/srv/evenwall.git"), ignore_errors=True)
    bare = ["git", "clone", "-q", "--bare", ROOT, root.file("/srv/evenwall.git")]
    subprocess.run(bare, check=True)
    mounted = []
    try:
        for name in ("proc", "dev"):
            subprocess.run(["mount", "--rbind", f"/{name}", root.file(name)], check=True)
            subprocess.run(["mount", "--make-rslave", root.file(name)], check=True)
            mounted.append(name)
        yield root
    finally:
        root.run("systemctl", "stop", "evenwall", check=False)
        for name in mounted:
            subprocess.run(["umount", "-l", root.file(name)], check=False)


# --- A person with a phone -----------------------------------------------------------------------


class Phone:
    """Pairs with the code in the service's log, and presses what the sheet asks for."""

    def __init__(self, root: CleanRoot) -> None:
        self._open = build_opener(HTTPCookieProcessor(CookieJar())).open
        self._csrf = ""
        log = root.file("/run/evenwall-stand-in/service.log")
        codes: list[str] = []
        while not codes:
            codes = re.findall(r"and type (\S+),", log.read_text(encoding="utf-8"))
            nap(LOOK_S)
        self._csrf = self.ask("pair", {"code": codes[-1], "name": "the soak's phone"})["csrf"]

    def ask(self, path: str, body: dict[str, Any] | None = None) -> Any:
        """The answer; a refusal's too."""
        headers = {"content-type": "application/json", "x-evenwall-csrf": self._csrf}
        data = None if body is None else json.dumps(body).encode()
        try:
            with self._open(
                Request(f"http://127.0.0.1:{PORT}/api/{path}", data, headers), timeout=30
            ) as answer:
                return json.load(answer)
        except HTTPError as refusal:
            return json.load(refusal)

    def command(self, name: str, **data: Any) -> dict[str, Any]:
        key = f"{name}-{clock.now_s()}".replace(".", "-")
        answer: dict[str, Any] = self.ask(f"command/{name}", {"key": key, "data": data})
        return answer

    def snapshot(self) -> dict[str, Any]:
        shown: dict[str, Any] = self.ask("snapshot")
        return shown

    def until(self, met: Any, what: str, limit_s: float = 240.0) -> dict[str, Any]:
        end_s = clock.now_s() + limit_s
        while True:
            try:
                shown = self.snapshot()
            except URLError as error:  # between two lives of the service
                shown = {"sentence": str(error)}
            else:
                if met(shown):
                    return shown
            if clock.now_s() > end_s:
                raise SystemExit(f"not within {limit_s:.0f} s: {what}; {shown['sentence']}")
            nap(LOOK_S)

    def to_turning(self) -> dict[str, Any]:
        """Choose the sample casting and do its first coat's hand work, as fast as it lets us."""
        wish = {"casting_id": "lantern-globe", "overrides": {}}
        job = self.ask("plans", wish)
        while not job.get("plan"):
            nap(2.0)
            job = self.ask(f"plans/{job['job_id']}")
            if job.get("error"):
                raise SystemExit(f"no plan: {job}")
        print(self.command("start", job_id=job["job_id"]))
        for _ in range(200):
            shown = self.snapshot()
            if shown["step"] == "spin" and shown["sentence"] == "Keep turning.":
                return shown
            coat = shown["coats"][0] if shown["coats"] else {}
            if shown["step"] == "weigh" and coat.get("part_a_g") is None:
                parts = {p: coat[f"planned_{p}"] for p in ("part_a_g", "part_b_g")}
                self.command("weigh", **parts)
            elif shown["step"] in ("prepare", "weigh", "mix", "degas", "pour", "close_up"):
                self.command("next")
            nap(1.0)
        raise SystemExit(f"it does not come to turn: {shown['sentence']}")


class Watch(threading.Thread):
    """Counts the board's step edges beside everything, and how long they ever stood."""

    def __init__(self, board: PtyBoard) -> None:
        super().__init__(daemon=True)
        self.board, self.over = board, threading.Event()
        self.stood_s, self.lasted_s, self.steps = 0.0, 0.0, 0

    def run(self) -> None:
        began_s = moved_s = clock.now_s()
        first = last = self.board.steps()
        while not self.over.wait(LOOK_S):
            now_s, steps = clock.now_s(), self.board.steps()
            if steps != last:
                moved_s, last = now_s, steps
            self.stood_s = max(self.stood_s, now_s - moved_s)
            self.lasted_s = now_s - began_s
            self.steps = sum(abs(b - a) for a, b in zip(first, last, strict=True))

    def ended(self) -> str:
        self.over.set()
        self.join()
        if self.stood_s > BLINK_S:
            raise SystemExit(f"the frame stood for {self.stood_s:.1f} s of {self.lasted_s:.0f} s")
        longest_s = self.stood_s + LOOK_S
        return f"{self.steps} steps in {self.lasted_s:.0f} s, never {longest_s:.1f} s without one"


def watching(board: PtyBoard) -> Watch:
    watch = Watch(board)
    watch.start()
    return watch


# --- The round -----------------------------------------------------------------------------------


def fresh(root: CleanRoot) -> None:
    """Follow a newcomer: the stated requirements, and the README's two commands."""
    bare = ("python3", "python3-venv", "make", "git")
    root.run("apt-get", "update", "-qq")
    root.run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *bare)
    cloned(root)
    root.tell(root.run("python3", "--version").strip())
    demo = root.run("make", "-C", "/src", "demo", "ARGS=--speed 120 --exit --json")
    # On a machine too busy for 120 times life a coat may go uncounted (null), never miscounted.
    assert demo.count('"done": true') == 3
    assert '"steps_exact": false' not in demo
    counted = demo.count('"steps_exact": true')
    root.tell(f"make demo: three coats done, {counted} of them counted to the step")
    if os.environ.get("EVENWALL_CLEAN_TESTS"):
        root.tell("make test: " + root.run("make", "-C", "/src", "test").splitlines()[-1])


def cloned(root: CleanRoot) -> None:
    root.run("git", "clone", "-q", "/srv/evenwall.git", "/src")
    unit = root.file(f"/src/{UNIT}")
    unit.write_text(unit.read_text().replace("--port 8713", f"--port {PORT}"))


def follow(root: CleanRoot, *starts: str) -> None:
    """The blocks of the install page that begin so, word for word; root needs no sudo."""
    page = {block.commands[0].text: block for block in blocks(INSTALL_PAGE)}
    for start in starts:
        for command in page[start].commands:
            text = re.sub(r"^sudo -u evenwall ", AS_EVENWALL, command.text)
            root.run("bash", "-c", "cd /src && " + text.removeprefix("sudo "))
            root.followed.append(command.text)


def installed(root: CleanRoot) -> None:
    follow(root, "make install")
    page = build_opener().open(f"http://127.0.0.1:{PORT}/").status
    assert page == 200
    log = root.file("/run/evenwall-stand-in/manager.log").read_text()
    assert "READY=1" in log
    root.tell("make install: ready, the panel answers")
    follow(root, "sudo systemctl stop evenwall")
    root.tell("rig check as the service's user, on the simulated frame: nothing BAD")


def upgraded_in_mid_spin(root: CleanRoot) -> None:
    """A casting turns on a board of its own; the program under it is changed, spoilt and killed."""
    place = root.file(BOARD)
    with PtyBoard(folder=place) as board:
        for name in ("major", "minor"):
            board.set_index(name, 19_200)
        board.set_guard(True)
        root.run("chmod", "-R", "a+rwX", f"/{BOARD}")
        Path(os.path.realpath(board.port)).chmod(0o666)
        sample = root.file("/etc/evenwall/rig.toml").read_text().split("[[probes]]")[0]
        kept = re.sub(r"(?m)^(name|backend|port|confirm_at_rig) = .*\n|^#.*\n", "", sample)
        head, _, probes = RIG.partition("[[probes]]")
        root.file("/etc/evenwall/rig.toml").write_text(head + kept + "[[probes]]" + probes)
        root.file("/run/evenwall-stand-in/service.log").write_text("")  # old codes are spent
        root.run("systemctl", "restart", "evenwall")
        phone = Phone(root)
        before = phone.to_turning()
        root.tell(f"a casting turns: {before['sentence']}")

        watch = watching(board)
        release = root.run("readlink", "/opt/evenwall/current")
        follow(root, "git pull")
        assert release != root.run("readlink", "/opt/evenwall/current")
        shown = phone.until(
            lambda s: s["frame"]["mode"] == "turning" and s["sentence"] == "Keep turning.",
            "rejoined after the upgrade",
        )
        assert shown["run_id"] == before["run_id"]
        root.tell(f"upgraded while it turned: {watch.ended()}")

        watch = watching(board)
        spoilt = root.file("/src/controller/cli/serving.py")
        good = spoilt.read_text()
        spoilt.write_text(good + "\nraise SystemExit('spoilt')\n")
        said = root.run("make", "-C", "/src", "install", check=False)
        spoilt.write_text(good)
        assert "going back to" in said
        phone.until(lambda s: s["sentence"] == "Keep turning.", "rejoined after going back")
        root.tell(f"a spoilt release taken back while it turned: {watch.ended()}")

        watch = watching(board)
        pid = root.file("/run/evenwall-stand-in/service.pid")
        hung = int(pid.read_text())
        os.kill(hung, 19)  # SIGSTOP
        while int(pid.read_text()) == hung:
            nap(LOOK_S)
        phone.until(lambda s: s["sentence"] == "Keep turning.", "rejoined after it hung")
        root.tell(f"hung, and started anew by the watchdog: {watch.ended()}")

        phone.command("abandon", reason="the soak has seen enough")
        phone.until(lambda s: s["step"] == "abandoned", "given up")
        whole_record(root, before["run_id"])


def whole_record(root: CleanRoot, run_id: str) -> None:
    record = root.file("/var/lib/evenwall/record.sqlite")
    database = sqlite3.connect(f"file:{record}?mode=ro", uri=True)
    ((verdict,),) = database.execute("PRAGMA integrity_check").fetchall()
    database.close()
    assert verdict == "ok", verdict
    evenwall = "/opt/evenwall/current/.venv/bin/evenwall"
    out = ("--out", "/root/exported", "--data", "/var/lib/evenwall")
    root.run(evenwall, "runs", "export", run_id, *out)
    text = root.run(evenwall, "runs", "show", run_id, "--data", "/var/lib/evenwall", "--json")
    shown = json.loads(text)
    root.tell(f"the record is whole: {len(text)} bytes of {shown.get('run_id', run_id)}")


def kept_and_gone(root: CleanRoot) -> None:
    follow(root, SAVE)
    shown = [c.text for block in blocks(INSTALL_PAGE) for c in block.commands]
    assert sorted(shown) == sorted(root.followed), "a command of the page was not followed"
    root.run("make", "-C", "/src", "uninstall")
    assert not root.file("/opt/evenwall").exists()
    assert root.file("/var/lib/evenwall").exists()
    root.run("make", "-C", "/src", "uninstall", "ARGS=--purge")
    assert not root.file("/var/lib/evenwall").exists()
    root.tell("backup, restore, uninstall, purge: every command of the install page was followed")


def main() -> None:
    if os.geteuid() or shutil.which("debootstrap") is None:
        sys.exit("needs root and debootstrap: apt-get install debootstrap")
    told = []
    for suite in SUITES:
        with clean_root(suite) as root:
            fresh(root)
            installed(root)
            upgraded_in_mid_spin(root)
            kept_and_gone(root)
            told += [f"{suite}: {words}" for words in root.told]
    print("\n".join(["", *told]))


if __name__ == "__main__":
    main()
