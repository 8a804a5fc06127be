"""From the settings of a broker to those of a link, and from a link's status to words."""

from pathlib import Path
from typing import Any

from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttVersion, TlsFiles
from dustcake.runtime.ending import LEAVE_S
from dustcake.settings.broker import Broker


def broker_link(broker: Broker, table: str, client_id: str) -> LinkSettings:
    """What a link needs to know of ``broker``, which stands in ``table`` of the settings."""
    tls = broker.tls
    return LinkSettings(
        host=broker.host,
        port=broker.port_used,
        client_id=client_id,
        root="",
        version=MqttVersion(broker.version),
        keepalive_s=broker.keepalive_s,
        username=broker.username,
        password_file=_path(broker.password_file),
        tls=None
        if tls is None
        else TlsFiles(
            _path(tls.ca_file), _path(tls.cert_file), _path(tls.key_file), verify=tls.verify
        ),
        leave_s=LEAVE_S,
        table=table,
    )


def _path(written: str | None) -> Path | None:
    return None if written is None else Path(written)


def link_content(status: LinkStatus) -> dict[str, Any]:
    """What `dustcake status` is told of a link."""
    trouble = status.trouble
    return {
        "connected": status.connected,
        "cause": None if trouble is None else trouble.cause,
        "remedy": None if trouble is None else trouble.remedy,
    }
