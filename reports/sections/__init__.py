"""The sections of a report, one a file: data in, blocks out."""
