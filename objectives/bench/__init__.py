"""A response measured on the bench, against what the stage should do and what values explain it."""
