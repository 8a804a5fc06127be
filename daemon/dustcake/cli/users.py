"""`dustcake users`: who may sign in to the panel."""

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
from dustcake.cli.common import BAD_USAGE, DONE, FAILED, add_settings, fail, settings_or_none
from dustcake.core.requests.definitions import Level

DESCRIPTION = "Keep the file of users of the panel (`panel.users_file`)."
EPILOG = """\
examples:
  dustcake users add kim --level acknowledge
  dustcake users remove kim
  dustcake users list

`add` asks for the password, or takes the first line of its input where that is no terminal; for
somebody who is there already it sets level and password anew. Levels: view; acknowledge (also
alarms, log book); adjust (also modes, set points, blower, zero, commissioning). A running daemon
takes notice at once. Exit code 0: done; 2: bad settings or usage; 1: the file cannot be used.
"""


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


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    code: int = arguments.action(arguments)
    return code


def _add(arguments: argparse.Namespace) -> int:
    path = _users_file(arguments.settings)
    if path is None:
        return BAD_USAGE
    try:
        users = read_users(path) if path.exists() else {}
        password = _password()
        if password is None:
            return BAD_USAGE
        user = new_user(arguments.name, arguments.level, password)
        write_users(path, {**users, user.name: user})
    except BadUserError as error:
        fail(str(error))
        return BAD_USAGE
    except UsersFileError as error:
        fail(str(error))
        return FAILED
    print(f"{user.name}: {user.level}")
    return DONE


def _remove(arguments: argparse.Namespace) -> int:
    path = _users_file(arguments.settings)
    if path is None:
        return BAD_USAGE
    try:
        users = read_users(path)
        if arguments.name not in users:
            known = ", ".join(users) or "nobody"
            fail(f"{path} has no user {arguments.name!r}; it has {known}")
            return BAD_USAGE
        del users[arguments.name]
        write_users(path, users)
    except UsersFileError as error:
        fail(str(error))
        return FAILED
    return DONE


def _list(arguments: argparse.Namespace) -> int:
    path = _users_file(arguments.settings)
    if path is None:
        return BAD_USAGE
    try:
        users = read_users(path)
    except UsersFileError as error:
        fail(str(error))
        return FAILED
    for user in users.values():
        print(f"{user.name}: {user.level}")
    return DONE


def _users_file(settings_path: Path) -> Path | None:
    """The file; None where there is none, and then it has been told."""
    settings = settings_or_none(settings_path)
    if settings is None:
        return None
    if settings.panel is None or settings.panel.users_file is None:
        fail(
            f"{settings_path}: panel.users_file is not given; add a table [panel] with it, such as "
            'users_file = "/etc/dustcake/panel-users.json"'
        )
        return None
    return Path(settings.panel.users_file)


def _password() -> str | None:
    """What is typed twice, or comes in; None where it was not typed alike, and then it has been
    told. Never an argument: those can be seen by every user of the machine."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    password = getpass.getpass("password: ")
    if getpass.getpass("once more: ") != password:
        fail("that was not the same; nothing is changed")
        return None
    return password
