"""An online estimate of when the coat gels."""
