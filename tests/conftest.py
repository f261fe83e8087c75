"""Shared by every room's tests."""

from __future__ import annotations

from hypothesis import settings

# A busy machine is slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")
