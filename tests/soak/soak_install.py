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
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import build_opener

from evenwall_bridge.sim_board import PtyBoard
from tests.docs.pages import blocks
from tests.support.clean_root import (
    LOOK_S,
    ROOT,
    CleanRoot,
    Phone,
    clean_root,
    clock,
    nap,
    require_root,
)

SUITES = os.environ.get("EVENWALL_CLEAN_SUITES", "bookworm trixie").split()
UNIT = "hardware/install/evenwall.service"
BOARD = "run/board"  # in the root: where the stand-in for the board on USB is
BLINK_S = 1.5  # a look, and the naps of a machine that is installing something

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


@contextmanager
def root_with_stand_ins(suite: str) -> Iterator[CleanRoot]:
    """A clean root with a stand-in for systemd, and this repository to clone."""
    gone = ("/src", "/opt/evenwall", "/etc/evenwall", "/var/lib/evenwall", "/srv/evenwall.git")
    with clean_root(suite, *gone, f"/{BOARD}") as root:
        stand_in = root.file("/usr/local/bin/systemctl")
        shutil.copy(ROOT / "tests" / "install" / "stand_in.py", stand_in)
        root.file("/usr/local/bin/udevadm").write_text("#!/bin/sh\nexit 0\n")
        for program in (stand_in, root.file("/usr/local/bin/udevadm")):
            program.chmod(0o755)
        bare = root.file("/srv/evenwall.git")
        subprocess.run(["git", "clone", "-q", "--bare", ROOT, bare], check=True)
        try:
            yield root
        finally:
            root.run("systemctl", "stop", "evenwall", check=False)


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
    # On a machine too busy for 120 times real speed a coat may be uncounted (null), never
    # miscounted.
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
    """A casting turns on its own board; the program under it is changed, spoilt and killed."""
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
        phone = Phone(root.file("/run/evenwall-stand-in/service.log"), PORT)
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
    require_root()
    told = []
    for suite in SUITES:
        with root_with_stand_ins(suite) as root:
            fresh(root)
            installed(root)
            upgraded_in_mid_spin(root)
            kept_and_gone(root)
            told += [f"{suite}: {words}" for words in root.told]
    print("\n".join(["", *told]))


if __name__ == "__main__":
    main()
