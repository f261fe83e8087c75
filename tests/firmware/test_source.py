"""The C source under two compilers, a static analyser, sanitizers and a hostile host."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from evenwall_bridge.build import CORE, SOURCE, avr_firmware, compiler

HERE = Path(__file__).parent
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wshadow")
CORE_FILES = [str(SOURCE / name) for name in CORE]


def run(*command: str, cwd: Path | None = None) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.parametrize(("name", "package"), [("gcc", "gcc"), ("clang", "clang")])
def test_two_compilers_have_nothing_to_say(name: str, package: str) -> None:
    cc = compiler(name, package)
    run(cc, *STRICT, "-O2", f"-I{SOURCE / 'core'}", "-fsyntax-only", *CORE_FILES)
    ports = [str(path) for path in sorted((SOURCE / "port_host").glob("*.c"))]
    includes = (f"-I{SOURCE / 'core'}", f"-I{SOURCE / 'port_host'}")
    run(cc, "-std=c99", "-Wall", "-Wextra", "-Werror", *includes, "-fsyntax-only", *ports)


def test_the_chips_compiler_has_nothing_to_say() -> None:
    assert avr_firmware("-Werror").exists()


def test_the_static_analyser_has_nothing_to_say() -> None:
    run(
        compiler("cppcheck", "cppcheck"),
        "--enable=warning,style,performance,portability",
        "--inconclusive",
        "--error-exitcode=1",
        "--std=c99",
        "--quiet",
        f"-I{SOURCE / 'core'}",
        f"-I{SOURCE / 'port_host'}",
        str(SOURCE / "core"),
        str(SOURCE / "port_host"),
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_a_million_hostile_frames_break_no_promise(tmp_path: Path, seed: int) -> None:
    """Half a million frames a seed, with address and undefined-behaviour sanitizers."""
    program = tmp_path / "fuzz"
    run(
        compiler("gcc", "gcc"),
        "-std=c99",
        "-O1",
        "-g",
        "-fsanitize=address,undefined",
        "-fno-sanitize-recover=all",
        f"-I{SOURCE / 'core'}",
        str(HERE / "fuzz.c"),
        *CORE_FILES,
        "-o",
        str(program),
    )
    said = run(str(program), "500000", str(seed))
    turning = re.search(r"(\d+) slices turning", said)
    assert turning is not None
    assert int(turning[1]) > 100_000, "the fuzzer hardly ever got the frame to turn"


def test_no_recursion_and_no_heap(tmp_path: Path) -> None:
    """The core's call graph has no cycle, and nothing in it allocates."""
    calls: dict[str, set[str]] = {}
    for source in CORE_FILES:
        run(
            compiler("gcc", "gcc"),
            *("-std=c99", "-O0", "-fcallgraph-info", f"-I{SOURCE / 'core'}", "-c", source),
            cwd=tmp_path,
        )
    for graph in tmp_path.glob("*.ci"):
        for edge in re.finditer(r'sourcename: "([^"]+)" targetname: "([^"]+)"', graph.read_text()):
            caller, called = (name.rsplit(":", 1)[-1] for name in edge.groups())
            calls.setdefault(caller, set()).add(called)
    assert {"board_byte", "board_slice", "motion_slice"} <= calls.keys() | set().union(
        *calls.values()
    )
    assert not {"malloc", "calloc", "realloc", "free", "alloca"} & set().union(*calls.values())

    def visit(name: str, above: tuple[str, ...]) -> None:
        assert name not in above, f"recursion: {' -> '.join((*above, name))}"
        for called in calls.get(name, ()):
            visit(called, (*above, name))

    for name in calls:
        visit(name, ())
