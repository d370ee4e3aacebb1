"""Reads a given stage: what it does, what each part is for, and how two stages differ."""
