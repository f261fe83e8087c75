"""Moulds and meshes: mesh checks, shapes and film meshes."""
