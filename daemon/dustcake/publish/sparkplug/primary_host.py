"""The primary host application: whether it is there, by its STATE messages."""

import json
from enum import Enum, auto

from dustcake.publish.sparkplug.topics import state_topic


class Heard(Enum):
    """What a STATE message came to."""

    ONLINE = auto()
    OFFLINE = auto()
    OLDER = auto()  # than one heard before, so it says nothing about now
    NOT_UNDERSTOOD = auto()


class PrimaryHost:
    """``host_id`` None: no primary host is configured, and none is waited for."""

    def __init__(self, host_id: str | None) -> None:
        self._host_id = host_id
        self._online = False
        self._newest_ms: int | None = None

    @property
    def topic(self) -> str | None:
        """Where its STATE messages come."""
        return None if self._host_id is None else state_topic(self._host_id)

    @property
    def is_ready(self) -> bool:
        """Whether births may be published."""
        return self._host_id is None or self._online

    def connected(self) -> None:
        """A session with the broker has begun: what was heard before does not count, but for its
        time."""
        self._online = False

    def heard(self, payload: bytes) -> Heard:
        """Take in one STATE message on ``topic``."""
        try:
            said = json.loads(payload.decode())
        except (UnicodeDecodeError, ValueError, RecursionError):
            return Heard.NOT_UNDERSTOOD
        online = said.get("online") if isinstance(said, dict) else None
        at_ms = said.get("timestamp") if isinstance(said, dict) else None
        if not isinstance(online, bool) or isinstance(at_ms, bool) or not isinstance(at_ms, int):
            return Heard.NOT_UNDERSTOOD
        if self._newest_ms is not None and at_ms < self._newest_ms:
            return Heard.OLDER
        self._newest_ms = at_ms
        self._online = online
        return Heard.ONLINE if online else Heard.OFFLINE
