"""TODO explorer/cli."""
