"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import (
    backup,
    check,
    commission,
    demo,
    history,
    life,
    read,
    replay,
    request,
    restore,
    run,
    schema,
    simulate,
    status,
    study,
    users,
)

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
    replay,
    life,
    study,
    simulate,
    demo,
    schema,
)
