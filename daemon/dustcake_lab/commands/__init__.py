"""The commands of the lab. `dustcake` finds them by name, and imports only the one chosen."""
