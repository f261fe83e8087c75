"""Film, cure, gel, spin and loads in SI units, without clock, I/O or pydantic."""
