"""The trade: film, cure, gel, spin, plan, run and record."""
