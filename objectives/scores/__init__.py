"""TODO objectives/scores."""
