"""Keep the file of users of the panel (`panel.users_file`).

examples:
  dustcake users add kim --level acknowledge
  dustcake users remove kim
  dustcake users list

`add` asks for the password, or takes the first line of its input where that is no terminal; for
somebody who is there already it sets level and password anew. Levels: view; acknowledge (also
alarms, log book); adjust (also modes, set points, blower, zero, commissioning). A running daemon
takes notice at once. Exit code 0: done; 2: bad settings or usage; 1: the file cannot be used.
"""

import argparse
import getpass
import sys
from pathlib import Path

from dustcake.adapters.panel.users import (
    BadUserError,
    UsersFileError,
    new_user,
    read_users,
    write_users,
)
from dustcake.cli.common import CommandError, UsageError, add_settings, settings_in
from dustcake.core.requests.definitions import Level


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake users`."""
    add_settings(parser, optional=True)
    actions = parser.add_subparsers(metavar="ACTION", required=True)
    adding = actions.add_parser("add", help="add somebody, or set level and password anew")
    adding.add_argument("name", metavar="NAME")
    adding.add_argument(
        "--level",
        type=Level,
        choices=list(Level),
        default=Level.VIEW,
        metavar="LEVEL",
        help="view (unless given), acknowledge or adjust",
    )
    adding.set_defaults(action=_add)
    removing = actions.add_parser("remove", help="remove somebody; they are signed out")
    removing.add_argument("name", metavar="NAME")
    removing.set_defaults(action=_remove)
    actions.add_parser("list", help="names and levels").set_defaults(action=_list)


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    try:
        arguments.action(arguments, _users_file(arguments.settings))
    except BadUserError as error:
        raise UsageError(str(error)) from None
    except UsersFileError as error:
        raise CommandError(str(error)) from None


def _add(arguments: argparse.Namespace, path: Path) -> None:
    users = read_users(path) if path.exists() else {}
    user = new_user(arguments.name, arguments.level, _password())
    write_users(path, {**users, user.name: user})
    print(f"{user.name}: {user.level}")


def _remove(arguments: argparse.Namespace, path: Path) -> None:
    users = read_users(path)
    if arguments.name not in users:
        known = ", ".join(users) or "nobody"
        raise UsageError(f"{path} has no user {arguments.name!r}; it has {known}")
    del users[arguments.name]
    write_users(path, users)


def _list(_: argparse.Namespace, path: Path) -> None:
    for user in read_users(path).values():
        print(f"{user.name}: {user.level}")


def _users_file(settings_path: Path) -> Path:
    """Raises UsageError."""
    settings = settings_in(settings_path)
    if settings.panel is None or settings.panel.users_file is None:
        raise UsageError(
            f"{settings_path}: panel.users_file is not given; add a table [panel] with it, such as "
            'users_file = "/etc/dustcake/panel-users.json"'
        )
    return Path(settings.panel.users_file)


def _password() -> str:
    """Password typed twice, or the first line of the input. Raises UsageError where it was not
    typed alike. Never an argument: those can be seen by every user of the machine."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    password = getpass.getpass("password: ")
    if getpass.getpass("once more: ") != password:
        raise UsageError("that was not the same; nothing is changed")
    return password
