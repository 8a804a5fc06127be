"""The link to a broker: its settings, its status in words, and what the daemon publishes about
itself."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttVersion, TlsFiles
from dustcake.ports import Clock
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication
from dustcake.runtime.engine import Engine
from dustcake.runtime.shutdown import LEAVE_S
from dustcake.settings.services import COLLECTOR, Broker


def broker_link(
    broker: Broker, table: str, client_id: str, collector: str | None = None
) -> LinkSettings:
    """What a link needs to know of ``broker``, which is in ``table`` of the settings;
    ``collector`` where it is the link of one."""

    def filled(written: str | None) -> str | None:
        if written is None or collector is None:
            return written
        return written.replace(COLLECTOR, collector)

    def path(written: str | None) -> Path | None:
        where = filled(written)
        return None if where is None else Path(where)

    tls = broker.tls
    return LinkSettings(
        host=broker.host,
        port=broker.port_used,
        client_id=client_id,
        root="",
        version=MqttVersion(broker.version),
        keepalive_s=broker.keepalive_s,
        username=filled(broker.username),
        password_file=path(broker.password_file),
        tls=None
        if tls is None
        else TlsFiles(
            path(tls.ca_file), path(tls.cert_file), path(tls.key_file), verify=tls.verify
        ),
        leave_s=LEAVE_S,
        table=table,
    )


def link_content(status: LinkStatus) -> dict[str, Any]:
    """A link for `dustcake status`."""
    trouble = status.trouble
    return {
        "connected": status.connected,
        "cause": None if trouble is None else trouble.cause,
        "remedy": None if trouble is None else trouble.remedy,
    }


class CollectorPresence:
    """The presence of one collector."""

    def __init__(self, engine: Engine, renderer: Renderer, clock: Clock) -> None:
        self._engine = engine
        self._renderer = renderer
        self._clock = clock

    def _online(self, online: bool) -> Publication:
        utc_s, seq = self._clock.now().utc_s, self._engine.state.next_seq - 1
        return self._renderer.online(utc_s, seq, online)

    def will(self) -> Publication:
        """What the broker publishes when the daemon vanishes; its time is that of connecting."""
        return self._online(False)

    def birth(self) -> Publication:
        """First after connecting."""
        return self._online(True)

    def goodbye(self) -> Publication:
        """Last before an orderly end."""
        return self._online(False)

    def current(self) -> Sequence[Publication]:
        """Every retained topic as it is now."""
        return self._renderer.everything(self._engine.state, self._clock.now().utc_s)
