"""Runs after the fact: proof, comparison, export, and what a resin has taught."""
