"""TODO reports/document."""
