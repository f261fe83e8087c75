"""Film, cure, gel, spin and loads in SI units, without a clock, I/O or pydantic."""
