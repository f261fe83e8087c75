"""Shared by every room's tests."""
