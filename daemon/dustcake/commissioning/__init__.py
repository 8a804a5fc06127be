"""Commissioning: a collector's first start, step by step, with a record of what was found.

Pure: what the steps are (``steps``), what is on record (``record``), how registers may be meant
(``scan``), what set points are proposed (``proposal``), and the report. ``runtime.commissioning``
carries it out; the command line and the panel show the same view of it.
"""
