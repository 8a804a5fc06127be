"""Dustcake: runs a pulse-cleaned cartridge dust collector."""
