"""TODO objectives/transient."""
