"""Demo, install, upgrade, backup, restore, uninstall in a clean Debian root (root, debootstrap).

What a Pi has and this has not: systemd itself (a stand-in starts the unit's own command as the
unit's own user and listens for its readiness), udev, avahi, GPIO, a board on USB.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CLEAN = Path(os.environ.get("EVENWALL_CLEAN_ROOT", "/var/tmp/evenwall-clean"))
BARE = ("python3", "python3-venv", "make", "git")  # what a newcomer is asked to have
SUITE = os.environ.get("EVENWALL_CLEAN_SUITE", "bookworm")

# The machine's own way to its package registries goes along, unread.
HOST_SETTINGS = (
    "/etc/apt",
    "/etc/pip.conf",
    "/etc/ssl/certs/ca-certificates.crt",
    "/etc/resolv.conf",
    "/etc/hosts",
)

STAND_IN = textwrap.dedent(
    """\
    #!/usr/bin/python3
    # Stands in for systemctl: starts the unit's command as its user and waits for READY=1.
    import os, pwd, signal, socket, subprocess, sys, time
    path = "/etc/systemd/system/evenwall.service"
    lines = open(path).read().splitlines() if os.path.exists(path) else []
    unit = dict(l.split("=", 1) for l in lines if "=" in l and not l.startswith("#"))
    print("systemctl", *sys.argv[1:], flush=True)
    pidfile = "/run/evenwall.pid"

    def stop():
        if not os.path.exists(pidfile):
            return
        pid = int(open(pidfile).read())
        os.unlink(pidfile)
        try:
            os.kill(pid, signal.SIGTERM)
            for _ in range(200):
                os.kill(pid, 0)
                time.sleep(0.1)
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            pass

    words = sys.argv[1:]
    if "stop" in words or "disable" in words:
        stop()
    if "restart" in words or "start" in words:
        stop()
        user = pwd.getpwnam(unit["User"])
        for kind in ("cache", "lib"):
            os.makedirs(f"/var/{kind}/evenwall", exist_ok=True)
            os.chown(f"/var/{kind}/evenwall", user.pw_uid, user.pw_gid)
        address = "/run/evenwall-notify"
        if os.path.exists(address):
            os.unlink(address)
        manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        manager.bind(address)
        os.chmod(address, 0o777)
        environment = dict(pair.split("=", 1) for pair in unit["Environment"].split())
        environment |= {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "15000000"}
        environment["PATH"] = "/usr/bin:/bin"

        def become():
            os.setsid()
            os.initgroups("evenwall", user.pw_gid)
            os.setgid(user.pw_gid)
            os.setuid(user.pw_uid)

        log = open("/var/log/evenwall.log", "ab")
        process = subprocess.Popen(
            unit["ExecStart"].split(), preexec_fn=become, env=environment, stdout=log, stderr=log,
            cwd=unit["WorkingDirectory"],
        )
        open(pidfile, "w").write(str(process.pid))
        manager.settimeout(int(unit["TimeoutStartSec"]))
        try:
            while not manager.recv(4096).startswith(b"READY=1"):
                pass
            print("READY", flush=True)
            manager.settimeout(16)
            print(manager.recv(4096).decode().replace(chr(10), " "), flush=True)
        except TimeoutError:
            print(open("/var/log/evenwall.log").read()[-3000:])
            sys.exit("no READY in time")
    """
)


def inside(*command: str, check: bool = True) -> str:
    """Run in the clean root; print and return what it said."""
    keep = {k: v for k, v in os.environ.items() if k.startswith("PIP_")}
    done = subprocess.run(
        ["chroot", CLEAN, "env", "-i", "PATH=/usr/local/bin:/usr/bin:/usr/sbin:/bin:/sbin"]
        + [f"{k}={v}" for k, v in keep.items()]
        + ["HOME=/root", "DEBIAN_FRONTEND=noninteractive", *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    print(f"$ {' '.join(command)}\n{done.stdout[-4000:]}", flush=True)
    if check and done.returncode:
        sys.exit(f"failed: {' '.join(command)}")
    return done.stdout


def prepare() -> None:
    if not (CLEAN / "etc/debian_version").exists():
        subprocess.run(["debootstrap", "--variant=minbase", SUITE, CLEAN], check=True)
    links = os.environ.get("PIP_FIND_LINKS", "")
    for name in (*HOST_SETTINGS, links):
        if name and Path(name).exists():
            target = CLEAN / name[1:]
            target.parent.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-rLT", name, target], check=True)
    for name in ("proc", "dev"):
        if not os.path.ismount(CLEAN / name):
            subprocess.run(["mount", "--rbind", f"/{name}", CLEAN / name], check=True)
    for name, text in (("systemctl", STAND_IN), ("udevadm", "#!/bin/sh\nexit 0\n")):
        path = CLEAN / "usr/local/bin" / name
        path.write_text(text)
        path.chmod(0o755)
    shutil.rmtree(CLEAN / "src", ignore_errors=True)
    subprocess.run(["git", "clone", "-q", ROOT, CLEAN / "src"], check=True)


def main() -> None:
    if os.geteuid() or shutil.which("debootstrap") is None:
        sys.exit("needs root and debootstrap: apt-get install debootstrap")
    prepare()
    try:
        inside("apt-get", "update", "-qq")
        inside(
            "apt-get",
            "install",
            "-y",
            "-qq",
            "--no-install-recommends",
            "python3-venv",
            "make",
            "git",
        )
        inside("python3", "--version")
        demo = inside("make", "-C", "/src", "demo", "ARGS=--speed 120 --exit --json")
        assert demo.count('"steps_exact": true') == 3
        inside("make", "-C", "/src", "install")
        panel = "import urllib.request as u; print(u.urlopen('http://127.0.0.1:8713/').status)"
        assert "200" in inside("python3", "-c", panel)
        inside("/opt/evenwall/current/hardware/install/backup.py", "save", "/root/backup.tar.gz")
        before = inside("readlink", "/opt/evenwall/current")
        inside("make", "-C", "/src", "install")  # the upgrade
        assert before != inside("readlink", "/opt/evenwall/current")
        assert "200" in inside("python3", "-c", panel)
        inside("ls", "/opt/evenwall/releases")
        inside("systemctl", "stop", "evenwall")
        inside("/opt/evenwall/current/hardware/install/backup.py", "restore", "/root/backup.tar.gz")
        inside("make", "-C", "/src", "uninstall")
        assert not (CLEAN / "opt/evenwall").exists()
        assert (CLEAN / "var/lib/evenwall").exists()
        inside("make", "-C", "/src", "uninstall", "ARGS=--purge")
        assert not (CLEAN / "var/lib/evenwall").exists()
        print("install, upgrade, backup, restore, uninstall: done")
    finally:
        for name in ("proc", "dev"):
            subprocess.run(["umount", "-l", CLEAN / name], check=False)


if __name__ == "__main__":
    main()
