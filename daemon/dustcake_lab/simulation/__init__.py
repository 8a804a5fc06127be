"""A run of the simulator: what it came to (``run``), and a picture of it (``plot``)."""
