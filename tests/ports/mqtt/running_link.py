"""A link under test, and what it says of itself."""

import asyncio
import contextlib
import dataclasses
import json
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttLink, MqttVersion
from dustcake.ports import Outbox
from dustcake.publish.topics import Keep, Publication
from system_support.broker import until

VERSIONS = (MqttVersion.V5, MqttVersion.V3_1_1)


def message(topic: str, keep: Keep = Keep.EVENT, **body: Any) -> Publication:
    retain = keep is Keep.LATEST
    qos = 0 if keep is Keep.LIVE else 1
    return Publication(topic, json.dumps(body).encode(), qos=qos, retain=retain, keep=keep)


def numbered(seq: int) -> Publication:
    return message("mill/c1/event", schema="mill.event.1", seq=seq)


class Says:
    """A presence; ``states`` are its current retained states."""

    def __init__(self, states: Sequence[Publication] = ()) -> None:
        self.states = states

    def will(self) -> Publication:
        return message("mill/online", Keep.LATEST, schema="mill.online.1", online=False, why="will")

    def birth(self) -> Publication:
        return message("mill/online", Keep.LATEST, schema="mill.online.1", online=True)

    def current(self) -> Sequence[Publication]:
        return self.states

    def goodbye(self) -> Publication:
        return message("mill/online", Keep.LATEST, online=False, why="goodbye")


def settings_for(port: int, **changes: Any) -> LinkSettings:
    settings = LinkSettings(
        host="127.0.0.1",
        port=port,
        client_id="mill-daemon",
        root="mill",
        retry_first_s=0.02,
        retry_cap_s=0.2,
    )
    return dataclasses.replace(settings, **changes)


class RunningLink:
    """The link and each status it has reported; one that was waited for is past."""

    def __init__(self) -> None:
        self.link: MqttLink
        self.task: asyncio.Task[None]
        self.statuses: list[LinkStatus] = []
        self._past = 0

    async def connected(self) -> None:
        await self._until(lambda: self.link.status.connected, "connection")
        self._past = len(self.statuses)

    async def lost(self) -> None:
        await self._next(lambda status: not status.connected, "loss of the connection")

    async def cause(self, words: str) -> LinkStatus:
        """The next status whose trouble speaks of ``words``."""
        return await self._next(
            lambda status: status.trouble is not None and words in status.trouble.cause, words
        )

    async def _next(self, wanted: Callable[[LinkStatus], bool], what: str) -> LinkStatus:
        def position() -> int | None:
            found = (
                at for at in range(self._past, len(self.statuses)) if wanted(self.statuses[at])
            )
            return next(found, None)

        await self._until(lambda: position() is not None, what)
        at = position()
        assert at is not None
        self._past = at + 1
        return self.statuses[at]

    async def _until(self, condition: Callable[[], bool], what: str) -> None:
        await until(lambda: condition() or self.task.done(), f"{what} in {self.statuses[-3:]}")
        if self.task.done():
            self.task.result()


@contextlib.asynccontextmanager
async def link_running(
    settings: LinkSettings,
    outbox: Outbox,
    presence: Says | None = None,
    on_request: Any = None,
    uniform: Callable[[], float] = lambda: 0.5,
) -> AsyncIterator[RunningLink]:
    """A link at work; cancelled at the end."""
    running = RunningLink()
    link = MqttLink(
        settings, outbox, presence or Says(), on_request, running.statuses.append, uniform
    )
    running.link = link
    running.task = task = asyncio.create_task(link.run())
    try:
        yield running
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
