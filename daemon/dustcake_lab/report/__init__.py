"""The report of a study: ``data`` is what it shows, ``render`` how."""
