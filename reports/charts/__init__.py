"""The charts of a report, one a file."""
