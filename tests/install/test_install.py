"""Installed files, checked with the service manager's own checker."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
INSTALL = ROOT / "hardware" / "install"


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stage")
    subprocess.run([INSTALL / "install.sh", "--stage", folder], check=True, capture_output=True)
    return folder


def test_everything_is_laid_out(stage: Path) -> None:
    current = stage / "opt/evenwall/current"
    for path in (
        current / "controller" / "telemetry" / "publisher.py",
        current / "web" / "shop_page" / "shop.html",
        current / "hardware" / "firmware" / "core",
        stage / "etc/systemd/system/evenwall.service",
        stage / "etc/udev/rules.d/60-evenwall.rules",
        stage / "etc/avahi/services/evenwall.service",
        stage / "etc/evenwall/rig.toml",
    ):
        assert path.exists(), path
    assert not (current / "tests").exists()
    assert not (current / ".venv").exists()


def test_settings_survive_an_upgrade(stage: Path) -> None:
    settings = stage / "etc/evenwall/rig.toml"
    settings.write_text("mine")
    subprocess.run([INSTALL / "install.sh", "--stage", stage], check=True, capture_output=True)
    assert settings.read_text() == "mine"


def test_unknown_options_are_refused() -> None:
    answer = subprocess.run([INSTALL / "install.sh", "--fast"], capture_output=True, text=True)
    assert (answer.returncode, answer.stderr.count("\n")) == (2, 1)


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit, its program replaced by one that exists here."""
    text = (INSTALL / "evenwall.service").read_text()
    program = "/opt/evenwall/current/.venv/bin/evenwall"
    assert text.count(program) == 1
    path = tmp_path / "evenwall.service"
    path.write_text(text.replace(program, sys.executable))
    return path


def analyze(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    assert program, "needs Debian's systemd: apt-get install systemd (`make test` does it)"
    return subprocess.run([program, *arguments], capture_output=True, text=True)


def test_the_unit_is_sound(unit: Path) -> None:
    answer = analyze("verify", unit)
    assert (answer.returncode, answer.stderr) == (0, "")


def test_the_checker_would_see_a_mistake(unit: Path) -> None:
    unit.write_text(unit.read_text().replace("WatchdogSec=15", "WatchdogSec=soon"))
    assert "soon" in analyze("verify", unit).stderr


def test_the_service_is_confined(unit: Path) -> None:
    """systemd-analyze's own scale, 0 (tight) to 10: a plain service has 9.6. Ours needs the network
    and devices; phones are told by push services, so not only the workshop's network."""
    answer = analyze("security", "--offline=yes", "--threshold=14", unit)
    assert answer.returncode == 0, answer.stdout[-2000:]


ALONE = """
import ctypes, os, sys
asks, asked, answers, answered = *os.pipe(), *os.pipe()
os.setgroups([20])
os.setresgid(12345, 12345, 12345)
inside = os.getpid()
if os.fork() == 0:  # as systemd does: a helper with rights writes the maps
    os.read(asks, 1)
    for name in ("uid_map", "gid_map"):
        with open(f"/proc/{inside}/{name}", "w") as map:
            map.write("0 0 1\\n12345 12345 1\\n")
    os.write(answered, b"x")
    os._exit(0)
if ctypes.CDLL(None, use_errno=True).unshare(0x10000000) != 0:  # CLONE_NEWUSER
    os._exit(77)
os.write(asked, b"x")
os.read(answers, 1)
os.wait()
os.setresuid(12345, 12345, 12345)
os.close(os.open(sys.argv[1], os.O_RDWR))
"""


def test_a_group_opens_its_device_with_private_users(unit: Path) -> None:
    """PrivateUsers=yes makes a user namespace with root and the service's own user. A device is
    root's and its group's, 0660; a file stands for it."""
    assert "PrivateUsers=yes" in unit.read_text().splitlines()
    if os.geteuid() != 0:
        pytest.skip("needs root, to be somebody else")
    with tempfile.TemporaryDirectory() as folder:  # pytest's own are closed to others
        Path(folder).chmod(0o755)
        device = Path(folder) / "device"
        device.touch()
        os.chown(device, 0, 20)
        for mode, opens in ((0o660, True), (0o600, False)):
            device.chmod(mode)
            itself = [sys.executable, "-c", ALONE, str(device)]
            done = subprocess.run(itself, capture_output=True, text=True, timeout=100)
            if done.returncode == 77:
                pytest.skip("no user namespaces here")
            assert (done.returncode == 0) is opens, done.stderr


def test_the_service_bears_a_worker_that_takes_too_much(unit: Path) -> None:
    """systemd.service(5), OOMPolicy: by default one killed process stops the whole service, and
    with it the one that feeds the board."""
    lines = set(unit.read_text().splitlines())
    assert {"OOMPolicy=continue", "MemoryMax=80%", "TasksMax=256", "LimitCORE=0"} <= lines
    assert {"ProtectSystem=strict", "ProtectHome=yes", "UMask=0077"} <= lines
    assert "MemoryDenyWriteExecute=yes" in lines


def test_a_record_that_went_on_beside_its_disk_outlives_the_service(unit: Path) -> None:
    """systemd.exec(5): PrivateTmp's folders go when the service stops, a RuntimeDirectory only
    where it is not preserved. It is the first folder that
    `evenwall.records.fallback_store` tries."""
    lines = unit.read_text().splitlines()
    assert {"RuntimeDirectory=evenwall", "RuntimeDirectoryPreserve=yes"} <= set(lines)


def test_udev_rules_are_well_formed() -> None:
    """Every jump has its label, every line is key operator value (udev(7))."""
    text = (INSTALL / "60-evenwall.rules").read_text()
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    part = r'[A-Z]+(\{\w+\})?(==|!=|\+=|=)"[^"]*"'
    for line in lines:
        assert re.fullmatch(rf"{part}(, {part})*", line), line
    jumps = set(re.findall(r'GOTO="(\w+)"', text))
    assert jumps == set(re.findall(r'LABEL="(\w+)"', text))


def test_mdns_file_is_xml() -> None:
    from lxml import etree

    tree = etree.parse(INSTALL / "evenwall-mdns.service")
    assert tree.findtext("service/type") == "_http._tcp"
    assert (
        "--port " + str(tree.findtext("service/port")) in (INSTALL / "evenwall.service").read_text()
    )
