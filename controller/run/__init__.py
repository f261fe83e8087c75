"""The supervisor: a pure step over the journal, and the thin runner with its eyes and hands."""
