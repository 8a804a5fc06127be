"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import (
    backup,
    check,
    demo,
    history,
    life,
    panel_user,
    read,
    replay,
    request,
    restore,
    run,
    schema,
    simulate,
    status,
)

COMMANDS = (
    run,
    check,
    read,
    status,
    history,
    panel_user,
    request,
    backup,
    restore,
    replay,
    life,
    simulate,
    demo,
    schema,
)
