"""The sheet: the input corner of one stage derived for a lecture, step by step, as a page."""
