"""TODO objectives/tolerance."""
