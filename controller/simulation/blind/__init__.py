"""A world that the plan does not know: its own film, heat and cure, with draws hidden by seed.

It shares no equation solver, constant or assumption with planning and numerics. It says only what
a maker gets: the casting's weight, the lid's, a dozen gauge readings.
"""
