"""The panel over HTTP: the files of its page, and what the page requests."""

import gzip
import hashlib
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass
from importlib import resources
from pathlib import Path

import structlog
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from dustcake.adapters.panel.guard import Guard
from dustcake.adapters.panel.live import Live
from dustcake.adapters.panel.people import People, RefusedError, fields_of
from dustcake.adapters.panel.source import Fields, Source, SourceError
from dustcake.adapters.panel.trend_svg import NARROWEST, WIDEST, trend_svg
from dustcake.units import PressureUnit, parse_pressure

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_WORTH_PACKING_BYTES = 500
_REPORT_TYPES = {"html": _TYPES[".html"], "pdf": "application/pdf"}
_COMMISSION_REQUESTS = ("begin", "do")


@dataclass(frozen=True, slots=True)
class File:
    """One file in memory, also packed. ``etag``: changes with its content."""

    media_type: str
    content: bytes
    packed: bytes
    etag: str

    def answer(self, request: Request) -> Response:
        """Send it, unless the browser has it already."""
        headers = {"etag": self.etag, "cache-control": "no-cache", "vary": "accept-encoding"}
        if request.headers.get("if-none-match") == self.etag:
            return Response(status_code=304, headers=headers)
        content = self.content
        accepted = request.headers.get("accept-encoding", "")
        if len(content) >= _WORTH_PACKING_BYTES and "gzip" in accepted:
            content = self.packed
            headers["content-encoding"] = "gzip"
        return Response(content, headers=headers, media_type=self.media_type)


def _file(name: str, content: bytes) -> File:
    digest = hashlib.sha256(content).hexdigest()[:20]
    packed = gzip.compress(content, mtime=0)
    return File(_TYPES[Path(name).suffix], content, packed, f'"{digest}"')


def page_files() -> dict[str, File]:
    """The files of the page by the path they are served at."""
    directory = resources.files("dustcake.adapters.panel") / "page"
    found = {
        f"/{entry.name}": _file(entry.name, entry.read_bytes())
        for entry in directory.iterdir()
        if Path(entry.name).suffix in _TYPES
    }
    found["/"] = found.pop("/index.html")
    return found


class CommissionWeb:
    """Its endpoints."""

    def __init__(self, source: Source, people: People) -> None:
        self._source = source
        self._people = people

    async def show(self, collector: str) -> Response:
        """The state of it; for viewers."""
        return JSONResponse(await self._source.commission(collector, {"commission": "show"}, ""))

    async def request(self, request: Request) -> Response:
        """Begin a record, or do something in a step; for adjusters."""
        fields = await fields_of(request)
        session = self._people.allowed(request, "commission")
        collector = fields.pop("collector", None)
        if not isinstance(collector, str) or collector not in self._source.collectors:
            raise RefusedError(400, f"`collector`: one of {', '.join(self._source.collectors)}")
        if fields.get("commission") not in _COMMISSION_REQUESTS:
            raise RefusedError(400, f"`commission`: one of {', '.join(_COMMISSION_REQUESTS)}")
        by = f"panel:{session.user.name}"
        return JSONResponse(await self._source.commission(collector, fields, by))

    async def report(self, collector: str, form: str) -> Response:
        """The report, to be saved; for viewers."""
        made = await self._source.commission_report(collector, form)
        name = f"commissioning-{collector}.{form}"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(made, media_type=_REPORT_TYPES[form], headers=headers)


log = structlog.get_logger()

Endpoint = Callable[[Request], Awaitable[Response]]

_DAY_S = 86_400.0
TREND_LENGTHS_S = {
    "1h": 3600.0,
    "8h": 8 * 3600.0,
    "1d": _DAY_S,
    "1w": 7 * _DAY_S,
    "1m": 31 * _DAY_S,
    "1y": 366 * _DAY_S,
}
_MOST_ZONE_MIN = 14 * 60
_LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")


class Web:
    """The panel's application."""

    def __init__(
        self, source: Source, people: People, live: Live, files: Mapping[str, File]
    ) -> None:
        self._source = source
        self._people = people
        self._live = live
        self._files = files
        self._commission = CommissionWeb(source, people)

    def app(self, host: str, *, is_local: bool, tls: bool) -> ASGIApp:
        """The ASGI application, listening at ``host``."""
        page = [Route(path, self._file) for path in self._files]
        viewed = {
            "/api/live": self._events,
            "/api/trend": self._trend,
            "/api/trend.svg": self._trend_svg,
            "/api/log-book": self._log_book,
            "/api/settings": self._settings,
            "/api/commission": self._commission_view,
            "/api/commission/report.html": self._report("html"),
            "/api/commission/report.pdf": self._report("pdf"),
        }
        routes = [
            *page,
            Route("/api/who", self._who),
            *(Route(path, self._viewed(endpoint)) for path, endpoint in viewed.items()),
            Route("/api/sign-in", self._people.sign_in, methods=["POST"]),
            Route("/api/sign-out", self._sign_out, methods=["POST"]),
            Route("/api/request", self._request, methods=["POST"]),
            Route("/api/commission", self._commission.request, methods=["POST"]),
        ]
        app = Starlette(routes=routes, exception_handlers={RefusedError: _refused})
        # Beyond this machine its names are not known here; there is nothing without a password.
        hosts = {host.lower(), f"[{host.lower()}]", *_LOCAL_NAMES} if is_local else None
        return Guard(app, hosts, tls=tls)

    def _viewed(self, endpoint: Endpoint) -> Endpoint:
        async def viewed(request: Request) -> Response:
            if not self._people.may_view(request):
                raise RefusedError(401, "sign in first")
            try:
                return await endpoint(request)
            except SourceError as error:
                raise RefusedError(503, str(error)) from None

        return viewed

    async def _file(self, request: Request) -> Response:
        return self._files[request.url.path].answer(request)

    async def _who(self, request: Request) -> Response:
        who = self._people.who(request)
        if who["level"] is None:
            return JSONResponse(who)
        collectors = {name: unit.value for name, unit in self._source.collectors.items()}
        about = {"site": self._source.site, "collectors": collectors}
        return JSONResponse({**who, **about})

    async def _sign_out(self, request: Request) -> Response:
        return self._people.sign_out(request)

    async def _request(self, request: Request) -> Response:
        fields = await fields_of(request)
        name = str(fields.get("request"))
        session = self._people.allowed(request, name)
        collector = fields.pop("collector", None)
        if not isinstance(collector, str) or collector not in self._source.collectors:
            raise RefusedError(400, f"`collector`: one of {', '.join(self._source.collectors)}")
        by = f"panel:{session.user.name}"
        unit = self._unit(request, collector)
        answer = await self._source.request(collector, _in_pascals(fields), by, unit)
        log.info("panel request", by=by, request=name, accepted=answer["accepted"])
        return JSONResponse(answer)

    async def _events(self, request: Request) -> Response:
        if self._live.is_full:
            raise RefusedError(503, "as many are viewing as can; try again later")
        collector = self._collector(request)
        events = self._live.events(
            collector, self._unit(request, collector), lambda: self._people.may_view(request)
        )
        return StreamingResponse(events, media_type="text/event-stream")

    async def _trend(self, request: Request) -> Response:
        trend = await self._source.trend(self._collector(request), _length_s(request))
        return JSONResponse(asdict(trend))

    async def _trend_svg(self, request: Request) -> Response:
        collector = self._collector(request)
        unit = self._unit(request, collector)
        trend = await self._source.trend(collector, _length_s(request))
        points = self._source.status(collector, unit)["set_points"]
        in_pa = {name: point["value"] for name, point in points.items()}
        picture = trend_svg(
            trend,
            in_pa,
            unit,
            zone_min=_whole(request, "zone_min", 0, -_MOST_ZONE_MIN, _MOST_ZONE_MIN),
            width=_whole(request, "width", 720, NARROWEST, WIDEST),
        )
        return PlainTextResponse(picture, media_type="image/svg+xml")

    async def _log_book(self, request: Request) -> Response:
        collector = self._collector(request)
        unit = self._unit(request, collector)
        return JSONResponse(list(await self._source.log_book(collector, unit)))

    async def _settings(self, request: Request) -> Response:
        return JSONResponse(list(self._source.settings(self._collector(request))))

    async def _commission_view(self, request: Request) -> Response:
        return await self._commission.show(self._collector(request))

    def _report(self, form: str) -> Endpoint:
        async def report(request: Request) -> Response:
            return await self._commission.report(self._collector(request), form)

        return report

    def _collector(self, request: Request) -> str:
        name = request.query_params.get("collector", next(iter(self._source.collectors)))
        if name not in self._source.collectors:
            raise RefusedError(404, f"`collector`: one of {', '.join(self._source.collectors)}")
        return name

    def _unit(self, request: Request, collector: str) -> PressureUnit:
        written = request.query_params.get("unit")
        if written is None:
            return self._source.collectors[collector]
        try:
            return PressureUnit(written)
        except ValueError:
            raise RefusedError(400, f"`unit`: one of {', '.join(PressureUnit)}") from None


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RefusedError)
    return error.response


def _in_pascals(fields: Fields) -> Fields:
    """The same with pressures that people have written with a unit, as "4.0 inH2O", in pascals."""
    try:
        return {
            name: parse_pressure(value).pa
            if name in ("low_pa", "high_pa") and isinstance(value, str)
            else value
            for name, value in fields.items()
        }
    except ValueError as error:
        raise RefusedError(400, str(error)) from None


def _length_s(request: Request) -> float:
    written = request.query_params.get("length", "1h")
    if written not in TREND_LENGTHS_S:
        raise RefusedError(400, f"`length`: one of {', '.join(TREND_LENGTHS_S)}")
    return TREND_LENGTHS_S[written]


def _whole(request: Request, name: str, default: int, low: int, high: int) -> int:
    try:
        value = int(request.query_params.get(name, default))
    except ValueError:
        value = low - 1
    if not low <= value <= high:
        raise RefusedError(400, f"`{name}`: {low} to {high}")
    return value
