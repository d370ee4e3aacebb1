"""The brief, the design space, the search, the front and the command line."""
