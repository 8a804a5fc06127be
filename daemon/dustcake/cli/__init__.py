"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import (
    backup,
    check,
    demo,
    history,
    read,
    replay,
    request,
    restore,
    run,
    schema,
    simulate,
    status,
    study,
)

COMMANDS = (
    run,
    check,
    read,
    status,
    history,
    request,
    backup,
    restore,
    replay,
    study,
    simulate,
    demo,
    schema,
)
