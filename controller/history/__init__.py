"""Finished runs: proof, comparison, export, and what was learned about a resin."""
