"""What holds for every answer: headers that keep a browser from doing what it should not, only
hosts we are, and no long requests."""

from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LONGEST_BODY_BYTES = 4096

# Nothing comes from elsewhere, nothing is run that is not one of our files, and no other site may
# put the page into a frame. Styles set by scripts one property at a time are no inline styles.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
_YEAR_S = 31_536_000


class Guard:
    """Around the whole application. ``hosts``: names this server answers to, so that a name that is
    made to point here does not (None: any); ``tls``: whether it is reached by TLS."""

    def __init__(self, app: ASGIApp, hosts: Collection[str] | None, *, tls: bool) -> None:
        self._app = app
        self._hosts = hosts
        self._headers = dict(_HEADERS)
        if tls:
            self._headers["strict-transport-security"] = f"max-age={_YEAR_S}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """An ASGI application."""
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._refusal(Headers(scope=scope))
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        await self._app(scope, _limited(receive), send_guarded)

    def _refusal(self, headers: Headers) -> PlainTextResponse | None:
        host = headers.get("host", "")
        name = host if host.endswith("]") else host.rpartition(":")[0] or host
        if self._hosts is not None and name.lower() not in self._hosts:
            return PlainTextResponse("this server does not go by that name", 421)
        return None


class TooLongError(Exception):
    """A request has more body than any of ours."""


def _limited(receive: Receive) -> Receive:
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > LONGEST_BODY_BYTES:
            raise TooLongError
        return message

    return limited
