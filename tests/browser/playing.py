"""One Playwright for all browsers of a process: its sync interface allows no second one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Playwright, sync_playwright

_at_work: list[Playwright] = []


@contextmanager
def playing() -> Iterator[Playwright]:
    """Return the running one, or a new one until the block ends."""
    if _at_work:
        yield _at_work[0]
        return
    with sync_playwright() as playwright:
        _at_work.append(playwright)
        try:
            yield playwright
        finally:
            _at_work.clear()
