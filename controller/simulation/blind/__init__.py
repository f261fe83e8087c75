"""World that the planner does not know: a separate model of film, heat and cure, with hidden random
draws.

It shares no equation solver, constant or assumption with planning and numerics. It returns only the
measurements that a maker can take: the weights of casting and lid, and a dozen gauge readings.
"""
