"""The outside world: one room per thing, none knowing another."""
