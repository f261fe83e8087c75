#!/usr/bin/python3
"""Stands in for systemctl where there is no systemd, for one service of Type=notify.

What of systemd.service(5) the unit asks for and a program can notice: its own user, environment and
folders, readiness (a restart returns when it is ready, and fails when the program ends before), the
watchdog (no word for WatchdogSec: SIGABRT, then SIGKILL after TimeoutStopSec, and a new start),
Restart=always after RestartSec, SIGTERM to stop. Nothing of its confinement.

STAND_IN_UNIT and STAND_IN_RUN say where the unit file and the pid, log and socket are. Needs no
more than the system's own python3, for it goes into a bare root.
"""

import os
import pwd
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

UNIT = Path(os.environ.get("STAND_IN_UNIT", "/etc/systemd/system/evenwall.service"))
RUN = Path(os.environ.get("STAND_IN_RUN", "/run/evenwall-stand-in"))
nap = threading.Event().wait


def settings() -> dict[str, str]:
    lines = UNIT.read_text().splitlines() if UNIT.exists() else []
    return dict(line.split("=", 1) for line in lines if "=" in line and line[0] != "#")


class Manager:
    """The part that stays: keeps the program running and listens to it."""

    def __init__(self, address: Path) -> None:
        self.unit = settings()
        self.log = (RUN / "manager.log").open("a", buffering=1)
        address.unlink(missing_ok=True)
        self.ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.ear.bind(str(address))
        address.chmod(0o777)
        self.address = address

    def seconds(self, name: str) -> float:
        return float(self.unit[name])

    def say(self, words: str) -> None:
        self.log.write(words.replace("\n", " ") + "\n")

    def start(self) -> "subprocess.Popen[bytes]":
        environment = dict(pair.split("=", 1) for pair in self.unit["Environment"].split())
        environment["PATH"] = "/usr/bin:/bin"
        environment["NOTIFY_SOCKET"] = str(self.address)
        environment["WATCHDOG_USEC"] = str(int(self.seconds("WatchdogSec") * 1e6))
        become = {}
        if "User" in self.unit:
            user = pwd.getpwnam(self.unit["User"])
            for kind in ("cache", "lib"):
                folder = Path(f"/var/{kind}/evenwall")
                folder.mkdir(exist_ok=True)
                os.chown(folder, user.pw_uid, user.pw_gid)
            groups = os.getgrouplist(user.pw_name, user.pw_gid)
            become = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": groups}
        with (RUN / "service.log").open("ab") as log:
            process = subprocess.Popen(
                self.unit["ExecStart"].split(),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=self.unit["WorkingDirectory"],
                env=environment,
                start_new_session=True,
                **become,
            )
        (RUN / "service.pid").write_text(str(process.pid))

        def ended() -> None:
            process.wait()
            tell(self.address, "EXIT")

        threading.Thread(target=ended, daemon=True).start()
        return process

    def end(self, process: "subprocess.Popen[bytes]", how: int) -> None:
        process.send_signal(how)
        try:
            process.wait(self.seconds("TimeoutStopSec"))
        except subprocess.TimeoutExpired:
            self.say("did not end: killed")
            process.kill()
            process.wait()

    def live(self, answer: int) -> None:
        """answer: where the one who asked for the start reads READY or FAILED."""
        while True:
            process = self.start()
            self.ear.settimeout(self.seconds("TimeoutStartSec"))
            while True:
                try:
                    words = self.ear.recv(4096).decode()
                except TimeoutError:
                    self.say("no word from it: aborted")
                    self.end(process, signal.SIGABRT)
                    continue
                if words == "EXIT":
                    break
                if words == "STOP":
                    self.end(process, signal.SIGTERM)
                    self.say(f"stopped with {process.returncode}")
                    return
                self.say(words)
                if words.startswith("READY=1"):
                    self.ear.settimeout(self.seconds("WatchdogSec"))
                    answer = reply(answer, "READY")
            self.say(f"ended with {process.returncode}")
            answer = reply(answer, "FAILED")
            nap(self.seconds("RestartSec"))


def reply(answer: int, words: str) -> int:
    if answer >= 0:
        os.write(answer, words.encode())
        os.close(answer)
    return -1


def tell(address: Path, words: str) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as mouth:
        try:
            mouth.sendto(words.encode(), str(address))
        except OSError:
            return False
    return True


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def stop() -> None:
    file = RUN / "manager.pid"
    if not file.exists():
        return
    pid = int(file.read_text())
    file.unlink()
    if tell(RUN / "notify", "STOP"):
        while alive(pid):
            nap(0.05)


def start() -> str:
    """READY or FAILED, as the program's first start turned out."""
    RUN.mkdir(exist_ok=True)
    reader, writer = os.pipe()
    if os.fork() == 0:
        os.setsid()
        if os.fork():
            os._exit(0)
        os.close(reader)
        null = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(null, number)
        (RUN / "manager.pid").write_text(str(os.getpid()))
        Manager(RUN / "notify").live(writer)
        os._exit(0)
    os.wait()
    os.close(writer)
    with os.fdopen(reader, "r") as ear:
        return ear.read()


def main() -> int:
    words = sys.argv[1:]
    if "stop" in words or "disable" in words:
        stop()
    if "restart" in words or "start" in words:
        stop()
        if start() != "READY":
            print("the service did not become ready; its last words:", file=sys.stderr)
            print((RUN / "service.log").read_text()[-2000:], file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
