"""Passwords, sessions, and having to wait after failures."""

import stat
from pathlib import Path

import pytest

from dustcake.adapters.panel.people import (
    FREE_TRIES,
    LOCKED_S,
    MOST_REMEMBERED,
    MOST_SESSIONS,
    LockOut,
    Sessions,
)
from dustcake.adapters.panel.users import (
    BadUserError,
    User,
    Users,
    UsersFileError,
    new_user,
    read_users,
    write_users,
)
from dustcake.core.requests.definitions import Level

PASSWORD = "a long password"


class Time:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_password_is_stored_as_a_salted_hash(tmp_path: Path) -> None:
    path = tmp_path / "users.json"
    one, other = (new_user(name, Level.ADJUST, PASSWORD) for name in ("kim", "lee"))
    write_users(path, {"kim": one, "lee": other})
    assert one.digest != other.digest
    assert PASSWORD not in path.read_text()
    assert not path.stat().st_mode & stat.S_IRWXO
    found = read_users(path)
    assert found == {"kim": one, "lee": other}
    assert found["kim"].has_password(PASSWORD)
    assert not found["kim"].has_password(PASSWORD + "x")


@pytest.mark.parametrize(
    ("name", "password", "told"),
    [
        ("kim", "short", "10 to 200 characters; this one has 5"),
        ("kim", "x" * 201, "this one has 201"),
        ("", PASSWORD, "1 to 32 letters"),
        ("k m", PASSWORD, "cannot be a name"),
        ("k" * 33, PASSWORD, "cannot be a name"),
    ],
)
def test_what_cannot_be_a_user_is_told(name: str, password: str, told: str) -> None:
    with pytest.raises(BadUserError, match=told):
        new_user(name, Level.VIEW, password)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        '{"users": []}',
        '{"users": {"kim": {}}}',
        '{"users": {"kim": {"level": "king", "salt": "00", "digest": "00"}}}',
        '{"users": {"kim": {"level": "view", "salt": "00", "digest": "00"}}}',
    ],
)
def test_a_damaged_file_lets_nobody_in(tmp_path: Path, content: str) -> None:
    path = tmp_path / "users.json"
    path.write_text(content)
    with pytest.raises(UsersFileError, match="damaged; restore it"):
        Users(path).find("kim")


def test_a_missing_file_is_told_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(UsersFileError, match="users add"):
        Users(tmp_path / "none.json").find("kim")


def test_a_change_of_the_file_holds_at_once(tmp_path: Path) -> None:
    path = tmp_path / "users.json"
    kim = User("kim", Level.VIEW, "00" * 16, "11" * 32)
    write_users(path, {"kim": kim})
    users = Users(path)
    assert users.find("kim") == kim
    assert users.has(kim)
    raised = User("kim", Level.ADJUST, "00" * 16, "11" * 32)
    write_users(path, {"kim": raised})
    assert users.find("kim") == raised
    assert not users.has(kim)
    path.unlink()
    assert not users.has(raised)


def test_a_session_ends_in_time_and_by_hand() -> None:
    time = Time()
    sessions = Sessions(60.0, time)
    user = User("kim", Level.VIEW, "", "")
    first, second = sessions.begin(user), sessions.begin(user)
    one, other = sessions.find(first), sessions.find(second)
    assert one is not None
    assert other is not None
    assert one.token != other.token
    sessions.end(first)
    assert sessions.find(first) is None
    time.now_s += 59.9
    assert sessions.find(second) == other
    time.now_s += 0.1
    assert sessions.find(second) is None
    assert sessions.find("") is None


def test_sessions_are_bounded_and_the_oldest_goes() -> None:
    sessions = Sessions(60.0, Time())
    user = User("kim", Level.VIEW, "", "")
    ids = [sessions.begin(user) for _ in range(MOST_SESSIONS + 1)]
    assert sessions.find(ids[0]) is None
    assert all(sessions.find(one) for one in ids[1:])


def test_five_failures_lock_for_a_while() -> None:
    time = Time()
    lock_out = LockOut(time)
    for _ in range(FREE_TRIES):
        assert lock_out.wait_s("user kim", "address a") == 0
        lock_out.failed("user kim", "address a")
    assert lock_out.wait_s("user kim", "address b") == LOCKED_S
    assert lock_out.wait_s("user lee", "address a") == LOCKED_S
    assert lock_out.wait_s("user lee", "address b") == 0
    time.now_s += LOCKED_S
    assert lock_out.wait_s("user kim", "address a") == 0
    lock_out.failed("user kim")
    assert lock_out.wait_s("user kim") == 0, "counting begins anew"


def test_success_forgets_failures() -> None:
    lock_out = LockOut(Time())
    for _ in range(FREE_TRIES):
        lock_out.failed("user kim")
    lock_out.succeeded("user kim")
    assert lock_out.wait_s("user kim") == 0


def test_what_is_remembered_of_failures_is_bounded() -> None:
    lock_out = LockOut(Time())
    for number in range(MOST_REMEMBERED + 1):
        for _ in range(FREE_TRIES):
            lock_out.failed(f"address {number}")
    assert lock_out.wait_s("address 0") == 0
    assert lock_out.wait_s(f"address {MOST_REMEMBERED}") == LOCKED_S
