"""Figures as OpenMetrics text, by the standard client library."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Iterator
from typing import Any

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector, CollectorRegistry

from dustcake.adapters.http_server import serve_http
from dustcake.publish.metrics import Family

PATH = "/metrics"
Families = Callable[[], Iterable[Family]]


class _Given(Collector):
    """The families, as the library takes them."""

    def __init__(self, families: Families) -> None:
        self._families = families

    def collect(self) -> Iterator[Metric]:
        for family in self._families():
            metric = Metric(family.name, family.words, family.kind, family.unit)
            for figure in family.figures:
                name = f"{metric.name}{figure.ending}"
                metric.add_sample(name, figure.labels, figure.value)
            yield metric


def text(families: Families) -> bytes:
    """The text of ``families`` and of those of the process itself."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Given(families))
    ProcessCollector(registry=registry)
    words: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return words


async def serve(snapshot: Callable[[], Awaitable[Families]], host: str, port: int) -> None:
    """Until cancelled, answer each reader with what ``snapshot`` gives: a function that is called
    in a thread, since to word figures of many collectors takes longer than a pulse may be kept
    waiting."""
    one_at_a_time = asyncio.Lock()

    async def answer(method: str, path: str) -> tuple[int, str, bytes]:
        if path != PATH:
            return 404, "text/plain", b"the metrics are at /metrics\n"
        if method not in ("GET", "HEAD"):
            return 405, "text/plain", b"the metrics can only be read\n"
        async with one_at_a_time:
            return 200, CONTENT_TYPE_LATEST, await asyncio.to_thread(text, await snapshot())

    async def app(scope: Any, _receive: Any, send: Any) -> None:
        status, kind, body = await answer(scope["method"], scope["path"])
        headers = [
            (b"content-type", kind.encode()),
            (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"),
        ]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": body})

    await serve_http(app, host, port, table="metrics")
