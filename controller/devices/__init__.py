"""Probes, pins, scale and frame: interfaces, drivers and the rig check."""
