"""A link under test, and what it says of itself."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any

from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttLink
from dustcake.ports import Outbox
from dustcake.publish.topics import Keep, Publication
from dustcake.settings.services import Broker, Tls
from system_support.broker import until

VERSIONS = ("5", "3.1.1")


def message(topic: str, keep: Keep = Keep.EVENT, **body: Any) -> Publication:
    retain = keep is Keep.LATEST
    qos = 0 if keep is Keep.LIVE else 1
    return Publication(topic, json.dumps(body).encode(), qos=qos, retain=retain, keep=keep)


def numbered(seq: int) -> Publication:
    return message("mill/c1/event", schema="mill.event.1", seq=seq)


class Says:
    """What a daemon says of itself; ``states`` are its current retained states, and ``number``
    tells apart what it has said, a will first."""

    def __init__(self, states: Sequence[Publication] = (), topic: str = "mill/online") -> None:
        self.states = states
        self._topic = topic
        self._number = 0

    def online(self, online: bool) -> Publication:
        self._number += 1
        schema = "mill.online.1"
        return message(self._topic, Keep.LATEST, schema=schema, online=online, number=self._number)

    def current(self) -> Sequence[Publication]:
        return self.states


def settings_for(port: int, **changes: Any) -> LinkSettings:
    """``changes``: of the link, or of its broker, whose files may be given as paths."""
    of_link = {name for name in changes if name in LinkSettings.__annotations__}
    of_broker = {
        name: str(value) if isinstance(value, Path) else value
        for name, value in changes.items()
        if name not in of_link
    }
    return LinkSettings(
        Broker(host="127.0.0.1", port=port).model_copy(update=of_broker),
        **{
            "client_id": "mill-daemon",
            "root": "mill",
            "retry_first_s": 0.02,
            "retry_cap_s": 0.2,
            **{name: changes[name] for name in of_link},
        },
    )


def tls_files(
    ca: Path | None = None,
    cert: Path | None = None,
    key: Path | None = None,
    *,
    verify: bool = True,
) -> Tls:
    """TLS with these PEM files."""
    ca_file, cert_file, key_file = (None if each is None else str(each) for each in (ca, cert, key))
    return Tls(ca_file=ca_file, cert_file=cert_file, key_file=key_file, verify=verify)


class Noting:
    """A link that keeps every status it has had."""

    statuses: list[LinkStatus]

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "status":
            vars(self).setdefault("statuses", []).append(value)
        super().__setattr__(name, value)


class NotingLink(Noting, MqttLink):
    pass


class RunningLink:
    """The link and each status it has reported; one that was waited for is past."""

    def __init__(self) -> None:
        self.link: NotingLink
        self.task: asyncio.Task[None]
        self._past = 0

    @property
    def statuses(self) -> list[LinkStatus]:
        return self.link.statuses

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
    says: Says | None = None,
    answer: Any = None,
    uniform: Callable[[], float] = lambda: 0.5,
) -> AsyncIterator[RunningLink]:
    """A link at work; cancelled at the end."""
    running = RunningLink()
    says = says or Says()
    link = NotingLink(settings, outbox, says.online, says.current, answer, uniform)
    running.link = link
    running.task = task = asyncio.create_task(link.run())
    try:
        yield running
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
