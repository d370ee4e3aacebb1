"""TODO objectives/fitting."""
