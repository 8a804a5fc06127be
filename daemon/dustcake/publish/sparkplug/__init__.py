"""Sparkplug B 3.0 (the open specification, also ISO/IEC 20237), wholly apart from plain mode.

The daemon is one edge node, each collector one device. Everything here is pure: what is observed
goes in, publications come out.
"""
