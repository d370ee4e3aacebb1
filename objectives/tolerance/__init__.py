"""Tolerances: what parts, valve and supply that are off do to the scores of a stage."""
