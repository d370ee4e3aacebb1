"""The ``stagefront`` command: one module a command, and what they share."""
