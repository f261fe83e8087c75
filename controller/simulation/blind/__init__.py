"""World unknown to the plan: its own film, heat and cure, with draws hidden by seed.

It shares no equation solver, constant or assumption with planning and numerics. It gives only the
measures of a maker: the weights of casting and lid, and a dozen gauge readings.
"""
