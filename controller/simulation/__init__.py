"""A simulated shop: the physics twin, a scripted operator and a demo broker."""
