"""Compressed air that pulses use."""
