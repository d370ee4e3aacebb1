"""TODO objectives/devices."""
