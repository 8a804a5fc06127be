"""When to clean, what may withhold a pulse, and which valve fires next."""
