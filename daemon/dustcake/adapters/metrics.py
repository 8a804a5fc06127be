"""Figures as OpenMetrics text, by the standard client library."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Iterator
from typing import Any

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector, CollectorRegistry

from dustcake.adapters.http_server import HttpServer
from dustcake.publish.metrics import Family

PATH = "/metrics"
Families = Callable[[], Iterable[Family]]


class _Given(Collector):
    """What the library is to word."""

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
    """``families``, and those of the process itself."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Given(families))
    ProcessCollector(registry=registry)
    words: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return words


class MetricsServer:
    """Answers each reader with what ``snapshot`` gives: a function that is called in a thread,
    since to word figures of many collectors takes longer than a pulse may be kept waiting."""

    def __init__(self, snapshot: Callable[[], Awaitable[Families]], host: str, port: int) -> None:
        self._snapshot = snapshot
        self._one_at_a_time = asyncio.Lock()
        self._server = HttpServer(self._app, host, port, table="metrics")

    async def run(self) -> None:
        """Until cancelled."""
        await self._server.run()

    async def _app(self, scope: Any, receive: Any, send: Any) -> None:
        status, kind, body = await self._answer(scope["method"], scope["path"])
        headers = [
            (b"content-type", kind.encode()),
            (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"),
        ]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": body})

    async def _answer(self, method: str, path: str) -> tuple[int, str, bytes]:
        if path != PATH:
            return 404, "text/plain", b"the metrics are at /metrics\n"
        if method not in ("GET", "HEAD"):
            return 405, "text/plain", b"the metrics can only be read\n"
        async with self._one_at_a_time:
            families = await self._snapshot()
            return 200, CONTENT_TYPE_LATEST, await asyncio.to_thread(text, families)
