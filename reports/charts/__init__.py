"""TODO reports/charts."""
