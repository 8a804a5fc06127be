"""Signing in and out, who makes a request, and making whoever guesses passwords wait."""

import asyncio
import json
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from dustcake.adapters.panel.users import LONGEST_PASSWORD, NOBODY, User, Users, UsersFileError
from dustcake.core.requests.definitions import LEVEL_NEEDED, Level
from dustcake.settings.services import Panel

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
        """End the session of this identifier."""
        self._by_id.pop(session_id, None)


FREE_TRIES = 5
LOCKED_S = 300.0
MOST_REMEMBERED = 1024


class LockOut:
    """Counts failures by key (a user's name, an address). After ``FREE_TRIES`` of them, each within
    ``LOCKED_S`` of the one before, that key is locked for ``LOCKED_S``. ``now``: the monotonic
    clock."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._failures: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, *keys: str) -> float:
        """How long it is until all of ``keys`` may try again; 0 if they may now."""
        failures = [self._failures[key] for key in keys if key in self._failures]
        locked_s = [last_s + LOCKED_S for count, last_s in failures if count >= FREE_TRIES]
        return max(0.0, max(locked_s, default=0.0) - self._now())

    def failed(self, *keys: str) -> None:
        """Count one more failure of each of ``keys``."""
        now_s = self._now()
        for key in keys:
            count, last_s = self._failures.pop(key, (0, now_s))
            # Once a lock is over, counting begins anew.
            count = 1 if now_s - last_s >= LOCKED_S else count + 1
            self._failures[key] = (count, now_s)
        while len(self._failures) > MOST_REMEMBERED:
            self._failures.popitem(last=False)

    def succeeded(self, *keys: str) -> None:
        """Forget the failures of ``keys``."""
        for key in keys:
            self._failures.pop(key, None)


log = structlog.get_logger()

TOKEN_HEADER = "x-dustcake-token"
_LONGEST_NAME = 32
LONGEST_BODY_BYTES = 4096


class People:
    """Those who use the panel. ``now``: the monotonic clock."""

    def __init__(self, panel: Panel, now: Callable[[], float]) -> None:
        self._users = Users(None if panel.users_file is None else Path(panel.users_file))
        self._shows_to_all = panel.shows_to_all
        self._secure = panel.tls is not None
        self._session_s = panel.session_h * 3600.0
        self._sessions = Sessions(self._session_s, now)
        self._lock_out = LockOut(now)
        # One at a time: each takes 16 MiB and a good part of a second of one core.
        self._hashing = asyncio.Lock()
        # With this prefix a browser takes it from nobody but this very host, over TLS.
        self._cookie = "__Host-dustcake" if self._secure else "dustcake"

    def session(self, request: Request) -> Session | None:
        """Who makes the request, as far as they have signed in and are users still."""
        session_id = request.cookies.get(self._cookie, "")
        session = self._sessions.find(session_id)
        if session is not None and not self._users.has(session.user):
            self._sessions.end(session_id)
            return None
        return session

    def may_view(self, request: Request) -> bool:
        """Whether the requester may see anything."""
        return self._shows_to_all or self.session(request) is not None

    def who(self, request: Request) -> dict[str, Any]:
        """What their page has to know: who they are, and what they may request."""
        session = self.session(request)
        if session is None:
            level = Level.VIEW if self._shows_to_all else None
            return {"user": None, "level": level, "may": [], "token": None}
        level = session.user.level
        may = [name for name, needed in LEVEL_NEEDED.items() if level.includes(needed)]
        return {"user": session.user.name, "level": level, "may": may, "token": session.token}

    def allowed(self, request: Request, name: str) -> str:
        """Who makes a request of kind ``name``, as it is recorded. Raises HTTPException."""
        session = self.session(request)
        if session is None:
            raise HTTPException(401, "sign in first")
        self._ours(request)
        if request.headers.get(TOKEN_HEADER) != session.token:
            raise HTTPException(403, "this page is out of date; load it anew")
        needed = LEVEL_NEEDED.get(name)
        if needed is None or not session.user.level.includes(needed):
            shown = name if needed is not None else "unknown"
            log.warning("panel request refused", by=session.user.name, request=shown)
            what = "" if needed is None else f"; it needs the level `{needed}`"
            raise HTTPException(403, f"your level is `{session.user.level}`{what}")
        return f"panel:{session.user.name}"

    def _ours(self, request: Request) -> None:
        """Refuse, by an HTTPException, what another site's page makes the browser send."""
        origin = request.headers.get("origin")
        scheme = "https" if self._secure else "http"
        if origin is not None and origin != f"{scheme}://{request.headers.get('host')}":
            raise HTTPException(403, "the request comes from the page of another site")
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            raise HTTPException(415, "a request is JSON")

    async def sign_in(self, request: Request) -> Response:
        """Check name and password, and begin a session. Raises HTTPException."""
        self._ours(request)
        fields = await fields_of(request)
        name, password = fields.get("user"), fields.get("password")
        if not isinstance(name, str) or not isinstance(password, str):
            raise HTTPException(400, "give `user` and `password`")
        address = "?" if request.client is None else request.client.host
        # A name nobody has is not remembered, nor is one that no user could have.
        keys = (f"address {address}", f"user {name[:_LONGEST_NAME]}")
        wait_s = self._lock_out.wait_s(*keys)
        if wait_s > 0:
            raise HTTPException(429, f"too many failures; try again in {wait_s / 60:.0f} min or so")
        try:
            user = self._users.find(name)
        except UsersFileError as error:
            log.error("panel cannot let anybody sign in", cause=str(error))
            raise HTTPException(503, "nobody can sign in now; the daemon's log says why") from None
        # Counted beforehand, so that guesses made at once count as well.
        self._lock_out.failed(*keys)
        async with self._hashing:
            fits = len(password) <= LONGEST_PASSWORD and await run_in_threadpool(
                (user or NOBODY).has_password, password
            )
        if user is None or not fits:
            shown = name[:_LONGEST_NAME] if name.isprintable() else "?"
            log.warning("panel sign-in failed", user=shown, address=address)
            raise HTTPException(401, "name or password is wrong")
        self._lock_out.succeeded(*keys)
        session_id = self._sessions.begin(user)
        log.info("panel signed in", user=user.name, level=user.level.value, address=address)
        return self._answer_with_cookie(session_id, self._session_s)

    async def sign_out(self, request: Request) -> Response:
        """End the session. Raises HTTPException."""
        self._ours(request)
        session = self.session(request)
        if session is not None:
            log.info("panel signed out", user=session.user.name)
        self._sessions.end(request.cookies.get(self._cookie, ""))
        return self._answer_with_cookie("", 0.0)

    def _answer_with_cookie(self, session_id: str, keep_s: float) -> Response:
        response = JSONResponse({"accepted": True})
        response.set_cookie(
            self._cookie,
            session_id,
            max_age=int(keep_s),
            secure=self._secure,
            httponly=True,
            samesite="strict",
        )
        return response


async def fields_of(request: Request) -> dict[str, Any]:
    """The JSON object a request has as its body. Raises HTTPException."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LONGEST_BODY_BYTES:
            raise HTTPException(413, "the request is too long")
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        raise HTTPException(400, "not JSON") from None
    if not isinstance(found, dict):
        raise HTTPException(400, "not a JSON object")
    return found
