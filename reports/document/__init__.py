"""Reports as documents: sections set as HTML and Markdown, and the results as CSV and JSON."""
