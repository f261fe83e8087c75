"""Shapes from what a maker can measure: girths, simple bodies, scans, photographs, water."""
