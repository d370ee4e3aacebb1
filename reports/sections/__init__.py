"""TODO reports/sections."""
