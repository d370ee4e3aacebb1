"""Fits of laws to published data and to a user's own readings."""
