"""The panel over HTTP: the files of its page, and what the page requests."""

import gzip
from collections.abc import Awaitable, Callable
from hashlib import sha256
from mimetypes import guess_type
from pathlib import Path

import structlog
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dustcake.adapters.panel import Fields, Source, SourceError
from dustcake.adapters.panel.live import MOST_VIEWERS, Live
from dustcake.adapters.panel.people import People, fields_of
from dustcake.adapters.panel.trend_svg import NARROWEST, WIDEST, TrendPicture
from dustcake.settings.services import Panel
from dustcake.units import PressureUnit, parse_pressure

log = structlog.get_logger()

PAGE = Path(__file__).with_name("page")
_REPORT_TYPES = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
_COMMISSION_REQUESTS = ("begin", "do")
TREND_LENGTHS_H = {"1h": 1, "8h": 8, "1d": 24, "1w": 7 * 24, "1m": 31 * 24, "1y": 366 * 24}
_MOST_ZONE_MIN = 14 * 60
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


def guarded(app: ASGIApp, *, tls: bool) -> ASGIApp:
    """``app`` with headers that keep a browser from what it should not do."""
    added = {**_HEADERS, "strict-transport-security": f"max-age={_YEAR_S}"} if tls else _HEADERS

    async def guard(scope: Scope, receive: Receive, send: Send) -> None:
        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(added)
                # A file is asked for again each time, and only sent if it has changed.
                headers.setdefault("cache-control", "no-cache" if "etag" in headers else "no-store")
            await send(message)

        await app(scope, receive, send_guarded)

    return guard


def _served(file: Path) -> Callable[[Request], Awaitable[Response]]:
    """The answer for ``file``: from memory, packed once, as a flood must cost little; and not again
    where the browser has it already."""
    content = file.read_bytes()
    kind, _ = guess_type(file)
    etag = f'"{sha256(content).hexdigest()[:20]}"'
    headers = {"etag": etag, "vary": "accept-encoding"}
    known = Response(status_code=304, headers=headers)
    plain = Response(content, headers=headers, media_type=kind)
    headers = {**headers, "content-encoding": "gzip"}
    packed = Response(gzip.compress(content, mtime=0), headers=headers, media_type=kind)

    async def answer(request: Request) -> Response:
        if request.headers.get("if-none-match") == etag:
            return known
        return packed if "gzip" in request.headers.get("accept-encoding", "") else plain

    return answer


class Web:
    """The panel's application. ``now``: the monotonic clock."""

    def __init__(self, panel: Panel, source: Source, live: Live, now: Callable[[], float]) -> None:
        self._panel = panel
        self._source = source
        self._people = People(panel, now)
        self._live = live

    def app(self) -> ASGIApp:
        """The ASGI application."""
        routes = [
            Route("/api/who", self._who),
            Route("/api/live", self._events),
            Route("/api/trend.svg", self._trend),
            Route("/api/log-book", self._log_book),
            Route("/api/settings", self._settings),
            Route("/api/commission", self._commission),
            Route("/api/commission/report.{form}", self._report),
            Route("/api/sign-in", self._people.sign_in, methods=["POST"]),
            Route("/api/sign-out", self._people.sign_out, methods=["POST"]),
            Route("/api/request", self._request, methods=["POST"]),
            Route("/api/commission", self._request_commission, methods=["POST"]),
            *(Route(f"/{file.name}", _served(file)) for file in PAGE.iterdir()),
            Route("/", _served(PAGE / "index.html")),
        ]
        handlers = {HTTPException: _refused, SourceError: _unavailable}
        app: ASGIApp = Starlette(routes=routes, exception_handlers=handlers)
        if self._panel.is_local:
            # A name that is made to point here is refused. Beyond this machine its names are not
            # known here; there is nothing without a password.
            names = [self._panel.host, "localhost", "127.0.0.1", "[::1]"]
            app = TrustedHostMiddleware(app, names, www_redirect=False)
        return guarded(app, tls=self._panel.tls is not None)

    async def _who(self, request: Request) -> Response:
        who = self._people.who(request)
        if who["level"] is None:
            return JSONResponse(who)
        collectors = {name: unit.value for name, unit in self._source.collectors.items()}
        about = {"site": self._source.site, "collectors": collectors}
        return JSONResponse({**who, **about})

    async def _events(self, request: Request) -> Response:
        collector, unit = self._viewed(request)
        if self._live.viewers >= MOST_VIEWERS:
            raise HTTPException(503, "as many are viewing as can; try again later")
        events = self._live.events(collector, unit, lambda: self._people.may_view(request))
        return StreamingResponse(events, media_type="text/event-stream")

    async def _trend(self, request: Request) -> Response:
        collector, unit = self._viewed(request)
        length = request.query_params.get("length", "1h")
        if length not in TREND_LENGTHS_H:
            raise HTTPException(400, f"`length`: one of {', '.join(TREND_LENGTHS_H)}")
        trend = await self._source.trend(collector, 3600.0 * TREND_LENGTHS_H[length])
        points = self._source.status(collector, unit)["set_points"]
        picture = TrendPicture(
            trend,
            {name: point["value"] for name, point in points.items()},
            unit,
            zone_min=_whole(request, "zone_min", 0, -_MOST_ZONE_MIN, _MOST_ZONE_MIN),
            width=_whole(request, "width", 720, NARROWEST, WIDEST),
        )
        return Response(picture.svg(), media_type="image/svg+xml")

    async def _log_book(self, request: Request) -> Response:
        return JSONResponse(await self._source.log_book(*self._viewed(request)))

    async def _settings(self, request: Request) -> Response:
        return JSONResponse(self._source.settings(self._viewed(request)[0]))

    async def _commission(self, request: Request) -> Response:
        collector, _ = self._viewed(request)
        return JSONResponse(await self._source.commission(collector, {"commission": "show"}, ""))

    async def _report(self, request: Request) -> Response:
        collector, _ = self._viewed(request)
        form = request.path_params["form"]
        if form not in _REPORT_TYPES:
            raise HTTPException(404)
        made = await self._source.commission_report(collector, form)
        name = f"commissioning-{collector}.{form}"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(made, headers=headers, media_type=_REPORT_TYPES[form])

    async def _request(self, request: Request) -> Response:
        fields = await fields_of(request)
        name = str(fields.get("request"))
        by = self._people.allowed(request, name)
        collector = self._named_collector(fields.pop("collector", None), 400)
        unit = self._unit(request, collector)
        answer = await self._source.request(collector, _in_pascals(fields), by, unit)
        log.info("panel request", by=by, request=name, accepted=answer["accepted"])
        return JSONResponse(answer)

    async def _request_commission(self, request: Request) -> Response:
        fields = await fields_of(request)
        by = self._people.allowed(request, "commission")
        collector = self._named_collector(fields.pop("collector", None), 400)
        if fields.get("commission") not in _COMMISSION_REQUESTS:
            raise HTTPException(400, f"`commission`: one of {', '.join(_COMMISSION_REQUESTS)}")
        return JSONResponse(await self._source.commission(collector, fields, by))

    def _viewed(self, request: Request) -> tuple[str, PressureUnit]:
        """The collector to be shown, and in which unit. Raises HTTPException."""
        if not self._people.may_view(request):
            raise HTTPException(401, "sign in first")
        first = next(iter(self._source.collectors))
        collector = self._named_collector(request.query_params.get("collector", first), 404)
        return collector, self._unit(request, collector)

    def _named_collector(self, name: object, unknown_status: int) -> str:
        if not isinstance(name, str) or name not in self._source.collectors:
            known = ", ".join(self._source.collectors)
            raise HTTPException(unknown_status, f"`collector`: one of {known}")
        return name

    def _unit(self, request: Request, collector: str) -> PressureUnit:
        written = request.query_params.get("unit", self._source.collectors[collector])
        try:
            return PressureUnit(written)
        except ValueError:
            raise HTTPException(400, f"`unit`: one of {', '.join(PressureUnit)}") from None


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    refusal = {"accepted": False, "reason": error.detail}
    return JSONResponse(refusal, error.status_code, headers=error.headers)


async def _unavailable(_request: Request, error: Exception) -> Response:
    return JSONResponse({"accepted": False, "reason": str(error)}, 503)


def _in_pascals(fields: Fields) -> Fields:
    """The fields, with pressures that people gave a unit, as "4.0 inH2O", in pascals."""
    try:
        return {
            name: parse_pressure(value).pa
            if name in ("low_pa", "high_pa") and isinstance(value, str)
            else value
            for name, value in fields.items()
        }
    except ValueError as error:
        raise HTTPException(400, str(error)) from None


def _whole(request: Request, name: str, default: int, low: int, high: int) -> int:
    try:
        value = int(request.query_params.get(name, default))
    except ValueError:
        value = low - 1
    if not low <= value <= high:
        raise HTTPException(400, f"`{name}`: {low} to {high}")
    return value
