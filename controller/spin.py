"""Biaxial spin profiles and gravity's trace on the mould."""
