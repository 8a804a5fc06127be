"""The commands of the lab."""
