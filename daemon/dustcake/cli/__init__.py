"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import check, demo, history, read, replay, request, run, schema, simulate, status

COMMANDS = (run, check, read, status, history, request, replay, simulate, demo, schema)
