"""From the settings of a broker to those of a link, and from a link's status to words."""

from pathlib import Path
from typing import Any

from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttVersion, TlsFiles
from dustcake.runtime.ending import LEAVE_S
from dustcake.settings.services import COLLECTOR, Broker


def broker_link(
    broker: Broker, table: str, client_id: str, collector: str | None = None
) -> LinkSettings:
    """What a link needs to know of ``broker``, which stands in ``table`` of the settings;
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
    """What `dustcake status` is told of a link."""
    trouble = status.trouble
    return {
        "connected": status.connected,
        "cause": None if trouble is None else trouble.cause,
        "remedy": None if trouble is None else trouble.remedy,
    }
