"""A simulated run: what it came to, and a picture of it."""
