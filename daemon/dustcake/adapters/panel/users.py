"""The file of users: names, levels, and passwords as scrypt hashes.

scrypt with N = 2**14, r = 8, p = 5 needs 16 MiB for a moment (one of the settings a widely used
guide to password storage gives; from memory).
"""

import hashlib
import hmac
import json
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dustcake.core.requests.definitions import Level

SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 200
MODE = 0o640  # written by an administrator, read by the daemon's group
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.\-]{0,31}")
_N, _R, _P = 2**14, 8, 5
_MEMORY = 64 * 1024 * 1024


class UsersFileError(Exception):
    """The file of users cannot be used; the message says which, why, and what to do."""


class BadUserError(ValueError):
    """A name or a password that cannot be taken; the message says what would do."""


@dataclass(frozen=True, slots=True)
class User:
    """One user. ``salt`` and ``digest``: of the password, in hexadecimal."""

    name: str
    level: Level
    salt: str
    digest: str

    def has_password(self, password: str) -> bool:
        """Whether this is the password. Takes a good part of a second of processor time."""
        return hmac.compare_digest(_digest(password, self.salt), self.digest)


# An unknown name takes as long to refuse as a wrong password.
NOBODY = User("", Level.VIEW, "00" * 16, "")


def new_user(name: str, level: Level, password: str) -> User:
    """A user with this password. Raises BadUserError."""
    if not _NAME.fullmatch(name):
        raise BadUserError(
            f"{name!r} cannot be a name: use 1 to 32 letters, digits, `_`, `-` and `.`, "
            "beginning with a letter or digit"
        )
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise BadUserError(
            f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters; this one has "
            f"{len(password)}"
        )
    salt = secrets.token_hex(16)
    return User(name, level, salt, _digest(password, salt))


def _digest(password: str, salt: str) -> str:
    key = password.encode("utf-8", "surrogatepass")
    return hashlib.scrypt(
        key, salt=bytes.fromhex(salt), n=_N, r=_R, p=_P, maxmem=_MEMORY, dklen=32
    ).hex()


def read_users(path: Path) -> dict[str, User]:
    """The users in the file at ``path``, by name. Raises UsersFileError."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return {name: _user(name, fields) for name, fields in found["users"].items()}
    except FileNotFoundError:
        raise UsersFileError(
            f"users file {path} does not exist; make it with `dustcake users add NAME`"
        ) from None
    except OSError as error:
        raise UsersFileError(
            f"users file {path} cannot be read ({error.strerror}); let the daemon's group read it"
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise UsersFileError(
            f"users file {path} is damaged; restore it, or remove it and add the users anew"
        ) from None


def _user(name: str, fields: dict[str, Any]) -> User:
    salt, digest = fields["salt"], fields["digest"]
    if len(bytes.fromhex(salt)) < 16 or len(bytes.fromhex(digest)) != 32:
        raise ValueError(name)
    return User(name, Level(fields["level"]), salt, digest)


def write_users(path: Path, users: dict[str, User]) -> None:
    """Write the file of ``users``, whole or not at all. Raises UsersFileError."""
    content = {
        name: {"level": user.level.value, "salt": user.salt, "digest": user.digest}
        for name, user in sorted(users.items())
    }
    arriving = path.with_name(f"{path.name}.new")
    try:
        descriptor = os.open(arriving, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, MODE)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump({"users": content}, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
            if path.exists():  # whose group the daemon is in stays so
                was = path.stat()
                os.fchown(file.fileno(), was.st_uid, was.st_gid)
        arriving.replace(path)
    except OSError as error:
        raise UsersFileError(
            f"users file {path} cannot be written ({error.strerror}); run this as the user who "
            "owns its directory"
        ) from None


class Users:
    """The users as the file has them now: a change of it holds at once. ``path`` None: nobody."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def find(self, name: str) -> User | None:
        """The user of this name. Raises UsersFileError."""
        return None if self._path is None else read_users(self._path).get(name)

    def has(self, user: User) -> bool:
        """Whether this user is there still, with the same level and password."""
        try:
            return self.find(user.name) == user
        except UsersFileError:
            return False
