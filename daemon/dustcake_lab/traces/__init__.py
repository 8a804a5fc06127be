"""Recorded traces: CSV, Parquet or a daemon's journal, read as the polls they stand for.

``files.open_any`` opens one by what it is. With polars a file is read in pieces (``csv_parquet``)
into columns of samples (``samples``), without it row by row (``rows``), to the same result.
``columns`` says what a trace may hold and what is wrong with a cell; ``journal`` writes what a
daemon has recorded as a trace; ``leap`` says how far a replay may go without a step of the core.
Numpy is imported only where it is used: a replay of CSV needs no extra.
"""
