"""A simulated collector, served over Modbus, for rehearsal, tuning and tests."""
