"""Clean Debian roots to install into, and a phone that presses what the page asks for.

Needs root and debootstrap. A root stands in for a Pi, without systemd itself, udev, avahi or GPIO.
"""

from __future__ import annotations

import json
import os
import re
import shutil
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

ROOT = Path(__file__).resolve().parents[2]

# The machine's own way to its package registries goes along, unread.
HOST_SETTINGS: tuple[str, ...] = (
    "/etc/apt/apt.conf.d",
    "/etc/apt/auth.conf.d",
    "/etc/pip.conf",
    "/etc/resolv.conf",
)
HOST_SETTINGS += ("/etc/hosts",)
CERTIFICATES = "/etc/ssl/certs/ca-certificates.crt"
LOOK_S = 0.2

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
        """Run in the root and return what it said; print its time, and its words if it failed."""
        keep = {k: v for k, v in os.environ.items() if k.startswith("PIP_") and "LINKS" not in k}
        bare = {"HOME": "/root", "DEBIAN_FRONTEND": "noninteractive", "LANG": "C.UTF-8"}
        bare["PIP_CERT"] = bare["SSL_CERT_FILE"] = "/etc/ssl/machine.crt"
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
        print(f"$ {' '.join(command)}   ({clock.now_s() - began_s:.0f} s)", flush=True)
        if check and done.returncode:
            print(done.stdout[-4000:], flush=True)
            raise SystemExit(f"{self.suite}: failed: {' '.join(command)}")
        return done.stdout

    def file(self, name: str) -> Path:
        return self.path / name.lstrip("/")


def require_root() -> None:
    """End with one sentence where roots cannot be made."""
    if os.geteuid() or shutil.which("debootstrap") is None:
        sys.exit("needs root and debootstrap: apt-get install debootstrap")


@contextmanager
def clean_root(suite: str, *gone: str, fresh: bool = False) -> Iterator[CleanRoot]:
    """A root of this Debian suite. gone: what a round that failed may have left there. fresh: new,
    without the packages of an earlier round."""
    root = CleanRoot(suite, Path(f"/var/tmp/evenwall-{'fresh-' if fresh else ''}{suite}"))
    if fresh:
        _remove(root.path)
    if not root.file("/etc/debian_version").exists():
        subprocess.run(["debootstrap", "--variant=minbase", suite, root.path], check=True)
    for name in HOST_SETTINGS:
        if Path(name).exists():
            root.file(name).parent.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-rLT", name, root.file(name)], check=True)
    # Beside the root's own, which its package of certificates rewrites.
    root.file("/etc/ssl").mkdir(parents=True, exist_ok=True)
    shutil.copy(CERTIFICATES, root.file("/etc/ssl/machine.crt"))
    for left in gone:
        shutil.rmtree(root.file(left), ignore_errors=True)
    mounted = []
    try:
        for name in ("proc", "dev"):
            subprocess.run(["mount", "--rbind", f"/{name}", root.file(name)], check=True)
            subprocess.run(["mount", "--make-rslave", root.file(name)], check=True)
            mounted.append(name)
        yield root
    finally:
        for name in mounted:
            subprocess.run(["umount", "-l", root.file(name)], check=False)


def _remove(path: Path) -> None:
    """Remove a root. Ends with one sentence if something of this machine is mounted in it."""
    mounts = Path("/proc/self/mounts").read_text().splitlines()
    if any(line.split()[1].startswith(f"{path}/") for line in mounts):
        sys.exit(f"{path} has mounts of an earlier round: umount them first")
    shutil.rmtree(path, ignore_errors=True)


class Phone:
    """Pairs with the code in the service's log, and presses what the sheet asks for."""

    def __init__(self, log: Path, port: int) -> None:
        """log: a file with what the service prints. port: the panel's, on this machine."""
        self._port = port
        self._open = build_opener(HTTPCookieProcessor(CookieJar())).open
        self._csrf = ""
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
                Request(f"http://127.0.0.1:{self._port}/api/{path}", data, headers), timeout=30
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
        """Choose the sample casting and do its first coat's manual work, as fast as the page
        allows."""
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
