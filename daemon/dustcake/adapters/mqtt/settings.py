"""What the link needs to know; the settings file has its own model and fills this one."""

from enum import StrEnum
from pathlib import Path

from dustcake.core.record import record


class MqttVersion(StrEnum):
    """The protocol spoken with the broker."""

    V5 = "5"
    V3_1_1 = "3.1.1"


@record
class TlsFiles:
    """PEM files. ``ca_file``: who may have signed the broker's certificate (None: the system's
    list). ``cert_file`` and ``key_file``: this client's own, where the broker requires one.
    ``verify`` False takes any broker for the right one, and is warned of at every connect."""

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    verify: bool = True


@record
class LinkSettings:
    """How to reach the broker and how to behave on the link.

    ``table``: of the settings file, for messages.
    ``root``: first level of every topic of this daemon; guards replies (see ``MqttLink.reply``).
    ``tls``: None means an unencrypted connection.
    ``request_topics``: topic filters to take requests from; empty means requests are off.
    ``ack_timeout_s``: a publication not acknowledged within this ends the connection.
    ``leave_s``: a clean stop takes no longer than this, whether the broker answers or not.
    ``retry_first_s``, ``retry_cap_s``: wait before the second attempt to connect, and the longest.
    """

    host: str
    client_id: str
    root: str
    port: int = 1883
    version: MqttVersion = MqttVersion.V5
    keepalive_s: int = 30
    username: str | None = None
    password_file: Path | None = None
    tls: TlsFiles | None = None
    request_topics: tuple[str, ...] = ()
    ack_timeout_s: float = 10.0
    leave_s: float = 1.0
    retry_first_s: float = 1.0
    retry_cap_s: float = 60.0
    table: str = "mqtt"
