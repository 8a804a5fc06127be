"""Commissioning over HTTP: the same as the command line asks for, with the level it needs."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from dustcake.adapters.panel.people import People, RefusedError, fields_of
from dustcake.adapters.panel.source import Source

FORMS = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
_ASKED = ("begin", "do")


class CommissionWeb:
    """Its endpoints."""

    def __init__(self, source: Source, people: People) -> None:
        self._source = source
        self._people = people

    async def show(self, collector: str) -> Response:
        """How all stands; for viewers."""
        return JSONResponse(await self._source.commission(collector, {"commission": "show"}, ""))

    async def ask(self, request: Request) -> Response:
        """Begin a record, or do something in a step; for adjusters."""
        fields = await fields_of(request)
        session = self._people.allowed(request, "commission")
        collector = fields.pop("collector", None)
        if not isinstance(collector, str) or collector not in self._source.collectors:
            raise RefusedError(400, f"`collector`: one of {', '.join(self._source.collectors)}")
        if fields.get("commission") not in _ASKED:
            raise RefusedError(400, f"`commission`: one of {', '.join(_ASKED)}")
        by = f"panel:{session.user.name}"
        return JSONResponse(await self._source.commission(collector, fields, by))

    async def report(self, collector: str, form: str) -> Response:
        """The report, to be saved; for viewers."""
        made = await self._source.commission_report(collector, form)
        name = f"commissioning-{collector}.{form}"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(made, media_type=FORMS[form], headers=headers)
