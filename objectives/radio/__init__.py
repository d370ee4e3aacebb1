"""TODO objectives/radio."""
