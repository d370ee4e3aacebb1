"""TODO explorer/brief."""
