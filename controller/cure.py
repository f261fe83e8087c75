"""Cure, viscosity and heat of a two-part resin."""
