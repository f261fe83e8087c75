"""A Chromium that trusts the rig's own authority, as a phone does after `/trust`."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.conftest import FLAGS
from tests.browser.playing import playing


@contextmanager
def trusting_browser(home: Path, authority: Path) -> Iterator[Browser]:
    """Chromium with a store of certificates of its own, in `home`, that holds the authority."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    certutil = shutil.which("certutil")
    if chromium is None or certutil is None:
        pytest.fail("needs chromium and libnss3-tools: `make test` installs them", pytrace=False)
    store = home / ".pki" / "nssdb"
    store.mkdir(parents=True)
    database = f"sql:{store}"
    subprocess.run([certutil, "-N", "-d", database, "--empty-password"], check=True)
    subprocess.run(
        [certutil, "-A", "-d", database, "-n", "rig", "-t", "C,,", "-i", str(authority)],
        check=True,
    )
    env = {**os.environ, "HOME": str(home)}
    with playing() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS), env=env)
        yield browser
        browser.close()
