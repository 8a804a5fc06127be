"""The live daemon: one engine a collector, wired to its adapters."""
