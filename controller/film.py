"""Film flow on a triangle mesh."""
