"""Bytes, boards and time: the frame's side of Evenwall, which knows nothing of resin."""
