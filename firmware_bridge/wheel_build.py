"""Build steps of the wheel: compile kernels and firmware for this architecture, add the pages.

setuptools calls these (see `cmdclass` in pyproject.toml); nothing imports them at run time.
"""

from __future__ import annotations

import importlib
import shutil
import sys
import tempfile
from pathlib import Path

from setuptools.command.bdist_wheel import bdist_wheel
from setuptools.command.build_py import build_py

ROOT = Path(__file__).resolve().parents[1]
NAMES = {"evenwall": "controller", "evenwall_bridge": "firmware_bridge"}
TOP_PAGES = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")


class BuildPy(build_py):  # type: ignore[misc]  # setuptools has no types
    """Copy the packages, then add the compiled files and the pages at the repository's top."""

    def run(self) -> None:
        """Build. An editable install compiles nothing: it does so at the first use."""
        super().run()
        if self.editable_mode:
            return
        target = Path(self.build_lib)
        with tempfile.TemporaryDirectory() as names:
            for name, folder in NAMES.items():
                (Path(names) / name).symlink_to(ROOT / folder)
            sys.path.insert(0, names)
            try:
                native = importlib.import_module("evenwall.numerics.native")
                build = importlib.import_module("evenwall_bridge.build")
                controller = ROOT / "controller"
                native.build_all(target / "evenwall" / "numerics" / "built", controller)
                build.build_for_wheel(target / "evenwall_bridge" / "built")
            finally:
                sys.path.remove(names)
        top = target / "evenwall_web" / "top"
        top.mkdir(parents=True, exist_ok=True)
        for page in TOP_PAGES:
            shutil.copy2(ROOT / page, top / page)


class BdistWheel(bdist_wheel):  # type: ignore[misc]
    """A wheel for one architecture and every Python 3: its libraries are loaded by ctypes."""

    def finalize_options(self) -> None:
        """Say that the wheel holds compiled files."""
        self.distribution.has_ext_modules = lambda: True
        super().finalize_options()

    def get_tag(self) -> tuple[str, str, str]:
        """Return the tags of Python, ABI and platform."""
        _, _, platform = super().get_tag()
        return "py3", "none", platform
