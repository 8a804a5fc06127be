"""A collector estimated from a trace."""
