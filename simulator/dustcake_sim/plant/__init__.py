"""The collector's physics: pure functions and immutable records in SI units.

No clock, no randomness, no file, no socket. Pressures named `gauge` are above the surrounding
air; all others are absolute or differences, as their names say.
"""
