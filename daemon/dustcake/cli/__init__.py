"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import (
    backup,
    check,
    commission,
    demo,
    history,
    read,
    request,
    restore,
    run,
    schema,
    status,
    users,
)
from dustcake.cli.lab import lab_command

COMMANDS = (
    run,
    check,
    read,
    commission,
    status,
    history,
    users,
    request,
    backup,
    restore,
    lab_command("replay"),
    lab_command("life"),
    lab_command("study"),
    lab_command("simulate"),
    demo,
    schema,
)
