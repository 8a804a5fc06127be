"""Set points studied on a fitted collector."""
