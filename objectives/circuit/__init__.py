"""TODO objectives/circuit."""
