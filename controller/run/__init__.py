"""Supervisor of a run: a pure step over the journal, and a thin runner that reads and moves the
rig."""
