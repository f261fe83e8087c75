"""Moulds and meshes: checks, shapes and film meshes."""
