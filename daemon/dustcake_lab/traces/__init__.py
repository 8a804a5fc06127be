"""Recorded traces: read from CSV, Parquet or a journal, and written."""
