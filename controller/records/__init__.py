"""The append-only journal of events and samples, and its fallback store."""
