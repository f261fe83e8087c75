"""Bytes, boards and time: the frame's side of Evenwall. It knows nothing of resin."""
