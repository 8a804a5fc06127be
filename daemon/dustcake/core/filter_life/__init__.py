"""Residual dP of a filter set: its trend, and how long the filters will last."""
