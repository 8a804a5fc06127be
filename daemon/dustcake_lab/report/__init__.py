"""The report of a study: ``data`` is what it shows, ``plots`` and ``html`` how."""
