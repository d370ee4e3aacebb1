"""The devices of a stage: their contract, laws, tables, and the look-up by name."""
