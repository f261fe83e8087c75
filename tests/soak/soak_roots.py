"""The wheel and the clone in clean Debian roots, with sizes and times; `make roots` runs it.

The wheel goes where there is no compiler and no libGL, in the locked versions and, in the older
suite, in the lowest that pyproject.toml allows. The clone follows the README. Needs root and
debootstrap; EVENWALL_CLEAN_SUITES names fewer suites.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from urllib.request import urlopen

from tests.support.clean_root import LOOK_S, ROOT, CleanRoot, clean_root, clock, nap, require_root
from tests.support.served import served

SUITES = os.environ.get("EVENWALL_CLEAN_SUITES", "bookworm trixie").split()
LOWEST_IN = "bookworm"  # its Python is the oldest that is supported
CLOSURE_MiB = 350  # the default set of packages, unpacked, without the bytecode of this Python
IMPORTS_S = 1.5  # processor time of `serve`'s imports
RESIDENT_MB = 150  # `serve` as it waits for a person
SPEED = "240"  # times real speed, of a simulated casting


def built_wheel(folder: Path) -> Path:
    """Build the wheel from what git lists; a compiler of this machine compiles the kernels."""
    source = folder / "source"
    subprocess.run(["git", "clone", "-q", ROOT, source], check=True)
    words = ["wheel", ".", "--no-deps", "--no-build-isolation", "-q", "-w", str(folder)]
    subprocess.run([sys.executable, "-m", "pip", *words], cwd=source, check=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


def installed_wheel(root: CleanRoot, wheel: Path) -> None:
    """Install the wheel in a separate environment, with neither compiler nor libGL present."""
    packages = ("python3", "python3-venv")
    root.run("apt-get", "update", "-qq")
    root.run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages)
    for absent in ("cc", "gcc", "g++", "clang"):
        if root.run("sh", "-c", f"command -v {absent} || true").strip():
            raise SystemExit(f"{root.suite}: a clean root has {absent}")
    if "libGL.so" in root.run("ldconfig", "-p"):
        raise SystemExit(f"{root.suite}: a clean root has libGL")
    place = root.file("/srv/wheel")
    place.mkdir(parents=True)
    shutil.copy(wheel, place)
    shutil.copy(ROOT / "requirements.lock", place)
    began_s = clock.now_s()
    root.run("python3", "-m", "venv", "/opt/wheel")
    pip = ("/opt/wheel/bin/pip", "install", "-q", "--disable-pip-version-check")
    root.run(*pip, "-c", "/srv/wheel/requirements.lock", f"/srv/wheel/{wheel.name}")
    took_s = clock.now_s() - began_s
    files_MiB, bytecode_MiB = packages_MiB(root.file("/opt/wheel"))
    packed_MB = wheel.stat().st_size / 1e6
    python = root.run("python3", "--version").strip()
    root.tell(
        f"{python}; wheel of {packed_MB:.1f} MB; with its packages {files_MiB:.0f} MiB, and "
        f"{bytecode_MiB:.0f} MiB of bytecode; {took_s:.0f} s"
    )
    if files_MiB > CLOSURE_MiB:
        raise SystemExit(f"{root.suite}: {files_MiB:.0f} MiB of packages; at most {CLOSURE_MiB}")


def packages_MiB(environment: Path) -> tuple[float, float]:
    """Return the size of an environment's packages without pip's own, and of their bytecode."""
    files = bytecode = 0
    (site,) = environment.glob("lib/python3*/site-packages")
    for path in site.rglob("*"):
        if not path.is_file() or path.relative_to(site).parts[0].startswith(("pip", "setuptools")):
            continue
        if path.suffix == ".pyc":
            bytecode += path.stat().st_size
        else:
            files += path.stat().st_size
    return files / 2**20, bytecode / 2**20


def does_the_job(root: CleanRoot, evenwall: str, what: str) -> None:
    """Plan, try the frame, cast and record with an installed wheel, as a maker would."""
    began_s = clock.now_s()
    root.run(evenwall, "--version")
    root.run(evenwall, "sample", "/srv/sample")
    casting = "/srv/sample/" + next(root.file("/srv/sample").glob("*globe*.toml")).name
    root.run(evenwall, "plan", casting, "--time-budget-s", "5", "--out", "/srv/sample/plan.json")
    root.run(evenwall, "rig", "check")
    began_demo_s = clock.now_s()
    told = root.run(evenwall, "-q", "demo", "--exit", "--json", "--speed", SPEED, "--port", "0")
    demo = json.loads(told[told.index("{") :])
    if demo["ended"] != "done" or not all(coat["done"] for coat in demo["coats"]):
        raise SystemExit(f"{root.suite}: the demo ended with {told}")
    now_s = clock.now_s()
    root.tell(
        f"{what}: sample, plan, rig check {began_demo_s - began_s:.0f} s; "
        f"demo of {len(demo['coats'])} coats {now_s - began_demo_s:.0f} s"
    )
    shutil.rmtree(root.file("/srv/sample"))


def serving(root: CleanRoot, evenwall: str, *words: str) -> AbstractContextManager[tuple[str, int]]:
    """A command of the root that serves: its address and its process."""
    there = ["chroot", str(root.path), "env", "-i", "HOME=/root", "LANG=C.UTF-8", "PATH=/usr/bin"]
    return served([*there, evenwall, *words], ended_by=signal.SIGTERM)


def family(pid: int) -> list[int]:
    """Return a process and all that descend from it."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [pid, *(one for child in children for one in family(int(child)))]


def resident_MB(pid: int) -> float:
    """Return the proportional share of memory of a process and its children (proc(5), Pss)."""
    total_kB = 0
    for one in family(pid):
        told = Path(f"/proc/{one}/smaps_rollup").read_text()
        found = re.search(r"^Pss:\s+(\d+) kB", told, re.MULTILINE)
        total_kB += int(found[1]) if found else 0
    return total_kB * 1024 / 1e6


def serves(root: CleanRoot, evenwall: str) -> None:
    """Open the panel, the guide and the shop page; weigh the process that waits."""
    with serving(root, evenwall, "serve") as (url, pid):
        for page in ("", "healthz", "metrics", "guide/web/guide/install.md"):
            if urlopen(url + page).status != 200:
                raise SystemExit(f"{root.suite}: {page} does not answer")
        nap(10 * LOOK_S)
        told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        used_s = (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")  # user and system
        weighs_MB = resident_MB(pid)
    with serving(root, evenwall, "shop", "--broker-port", "1") as (url, _):
        urlopen(url)
    code = "import time, evenwall.cli.serving; print(time.process_time())"
    imports_s = float(root.run("/opt/wheel/bin/python", "-c", code))
    root.tell(
        f"serve: imports {imports_s:.2f} s, {used_s:.2f} s of processor until its pages had been "
        f"read, {weighs_MB:.0f} MB resident; shop serves"
    )
    if weighs_MB > RESIDENT_MB:
        raise SystemExit(f"{root.suite}: {weighs_MB:.0f} MB resident; at most {RESIDENT_MB} MB")
    if imports_s > IMPORTS_S:
        raise SystemExit(f"{root.suite}: imports take {imports_s:.2f} s; at most {IMPORTS_S} s")


def lowest(root: CleanRoot, wheel: Path) -> None:
    """Do the job with the lowest versions that pyproject.toml allows, from wheels alone."""
    root.run("python3", "-m", "venv", "/opt/lowest")
    root.run("/opt/lowest/bin/pip", "install", "-q", "--disable-pip-version-check", "uv")
    uv = ("/opt/lowest/bin/uv", "pip", "install", "-q", "--python", "/opt/lowest/bin/python")
    strict = ("--resolution", "lowest-direct", "--only-binary", ":all:")
    root.run(*uv, *strict, f"/srv/wheel/{wheel.name}")
    does_the_job(root, "/opt/lowest/bin/evenwall", "lowest versions")


def cloned(root: CleanRoot) -> None:
    """Follow the README from a clone: its packages, then its first command."""
    packages = ("make", "git")
    root.run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages)
    subprocess.run(["git", "clone", "-q", ROOT, root.file("/src")], check=True)
    began_s = clock.now_s()
    told = root.run("make", "-C", "/src", "demo", f"ARGS=--speed {SPEED} --exit --json --port 0")
    if told.count('"done": true') != 3:
        raise SystemExit(f"{root.suite}: make demo from a clone ended otherwise")
    root.tell(f"clone: make demo, three coats, {clock.now_s() - began_s:.0f} s")


def one_suite(suite: str, wheel: Path) -> list[str]:
    """Return what was found in a clean root of this suite."""
    with clean_root(suite, fresh=True) as root:
        installed_wheel(root, wheel)
        does_the_job(root, "/opt/wheel/bin/evenwall", "locked versions")
        serves(root, "/opt/wheel/bin/evenwall")
        if suite == LOWEST_IN:
            lowest(root, wheel)
        cloned(root)
    return [f"{suite}: {words}" for words in root.told]


def main() -> None:
    require_root()
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(len(SUITES)) as pool:
        wheel = built_wheel(Path(folder))
        told = [pool.submit(one_suite, suite, wheel) for suite in SUITES]
        print("\n".join(["", *(line for suite in told for line in suite.result())]))


if __name__ == "__main__":
    main()
