"""The living page: the report of a brief on this machine alone, where every part can be stepped."""
