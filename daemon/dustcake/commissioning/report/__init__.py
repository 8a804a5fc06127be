"""The report of a commissioning: its content, and the same as HTML and as PDF."""
