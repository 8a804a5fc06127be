"""The commands, in the order `dustcake --help` lists them. Each is thin: it words and exits."""

from dustcake.cli import (
    backup,
    check,
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
<<<<<<< HEAD
    users,
=======
    study,
>>>>>>> fit
)

COMMANDS = (
    run,
    check,
    read,
    status,
    history,
    users,
    request,
    backup,
    restore,
    replay,
<<<<<<< HEAD
    life,
=======
    study,
>>>>>>> fit
    simulate,
    demo,
    schema,
)
