"""Who is signed in."""

import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from dustcake.adapters.panel.users import User

MOST_SESSIONS = 64


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is signed in. ``token``: what their page has to show with every request, which
    another site cannot know. ``ends_s``: on the monotonic clock."""

    user: User
    token: str
    ends_s: float


class Sessions:
    """Sessions, in memory only: a restart of the daemon ends them. ``now``: the monotonic clock."""

    def __init__(self, lasts_s: float, now: Callable[[], float]) -> None:
        self._lasts_s = lasts_s
        self._now = now
        self._by_id: OrderedDict[str, Session] = OrderedDict()

    def begin(self, user: User) -> str:
        """Sign ``user`` in; the identifier is for their browser alone."""
        while len(self._by_id) >= MOST_SESSIONS:
            self._by_id.popitem(last=False)
        session_id = secrets.token_urlsafe(32)
        ends_s = self._now() + self._lasts_s
        self._by_id[session_id] = Session(user, secrets.token_urlsafe(32), ends_s)
        return session_id

    def find(self, session_id: str) -> Session | None:
        """The session of this identifier, unless it is over."""
        session = self._by_id.get(session_id)
        if session is not None and self._now() >= session.ends_s:
            self.end(session_id)
            return None
        return session

    def end(self, session_id: str) -> None:
        """Sign out."""
        self._by_id.pop(session_id, None)
