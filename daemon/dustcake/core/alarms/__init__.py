"""Alarms: what each watches, its life, what explains or suppresses it, what people do to it."""
