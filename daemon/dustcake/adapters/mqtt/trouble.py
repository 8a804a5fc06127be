"""Why the broker is away, in words a technician can act on."""

import socket
import ssl

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.core.record import record
from dustcake.settings.services import Broker


@record
class LinkSettings:
    """How to reach the broker, and how to behave on the link.

    ``broker``: from the table ``table`` of the settings file, which messages name.
    ``root``: first level of every topic of this daemon; guards replies (see ``MqttLink.reply``).
    ``request_topics``: topic filters to take requests from; empty means requests are off.
    ``ack_timeout_s``: a publication not acknowledged within this ends the connection.
    ``leave_s``: a clean stop takes no longer than this, whether the broker answers or not.
    ``retry_first_s``, ``retry_cap_s``: wait before the second attempt to connect, and the longest.
    """

    broker: Broker
    client_id: str
    root: str = ""
    request_topics: tuple[str, ...] = ()
    ack_timeout_s: float = 10.0
    leave_s: float = 1.0
    retry_first_s: float = 1.0
    retry_cap_s: float = 60.0
    table: str = "mqtt"


@record
class Trouble:
    """What is wrong with the link, and what to do about it."""

    cause: str
    remedy: str


class LinkFault(aiomqtt.MqttError):
    """A fault whose cause and remedy are known where it is met."""

    def __init__(self, cause: str, remedy: str) -> None:
        super().__init__(cause)
        self.trouble = Trouble(cause, remedy)


class ClosedEarly(aiomqtt.MqttError):
    """The broker closed the connection instead of answering the request to connect."""


_BROKER_LOG = "see the broker's log"
_CLOSED_EARLY = (
    "{where} closed the connection before answering",
    "check that an MQTT broker listens there, that it takes {table}.version {version}, and whether "
    "it requires TLS or a client certificate",
)
_USER_REFUSED = (
    "{where} does not let user {user} in: {detail}",
    "check {table}.username and {table}.password_file, and that the broker knows this user",
)
# Reason codes of MQTT 5.0, section 2.4; paho gives the return codes of 3.1.1 as the same.
_CODES = {
    0x80: (
        "{where} closed the connection",
        f"{_BROKER_LOG}; two clients of the same {{table}}.client_id end each other's",
    ),
    0x84: ("{where} does not speak MQTT {version}", "choose the other {table}.version"),
    0x85: (
        "{where} does not accept {table}.client_id {client_id!r}",
        "choose another one, of letters and digits",
    ),
    0x86: _USER_REFUSED,
    0x87: _USER_REFUSED,
    0x8B: ("the broker at {where} is shutting down", "start the broker"),
    0x8D: (
        "no answer from {where} within the keepalive of {keepalive_s} s",
        "check the network between here and the broker",
    ),
    0x8E: (
        "another client has connected to {where} as {client_id!r}",
        "give every daemon an {table}.client_id of its own",
    ),
}
_OTHER_CODE = ("{where} ended the connection: {detail}", _BROKER_LOG)
_UNTRUSTED = "the certificate of {where} is not trusted: {detail}"
_OUT_OF_DATE = "check this computer's clock, then the dates in the broker's certificate"
_OTHER_NAME = "let {table}.host be a name the broker's certificate was made for"
# X509_V_ERR_* of OpenSSL: not yet valid, expired; host name, address.
_CERTIFICATE = {9: _OUT_OF_DATE, 10: _OUT_OF_DATE, 62: _OTHER_NAME, 64: _OTHER_NAME}
_OTHER_AUTHORITY = "let {table}.tls.ca_file be the authority that signed the broker's certificate"
# The first that fits.
_ERRORS: tuple[tuple[type[OSError], str, str], ...] = (
    (
        ssl.SSLError,
        "no TLS connection with {where}: {detail}",
        "check that {table}.port is the broker's TLS port, and whether the broker requires a "
        "client certificate",
    ),
    (
        socket.gaierror,
        "host name {host!r} is not known",
        "check {table}.host and the name service of this network",
    ),
    (
        ConnectionRefusedError,
        "{where} refused the connection",
        "start the broker there, or correct {table}.host and {table}.port",
    ),
    (
        TimeoutError,
        "{where} does not answer",
        "check that the broker and its computer run, the network between, and firewalls",
    ),
    (OSError, "{where}: {detail}", "check the network"),
)


def explain(fault: aiomqtt.MqttError, settings: LinkSettings) -> Trouble:
    """Put ``fault`` in plain words."""
    if isinstance(fault, LinkFault):
        return fault.trouble
    cause, remedy, detail = _words(fault)
    broker = settings.broker
    known = {
        **dict(broker),
        "where": f"{broker.host}:{broker.port_used}",
        "user": broker.username or "(none)",
        "client_id": settings.client_id,
        "table": settings.table,
        "detail": detail,
    }
    return Trouble(cause.format_map(known), remedy.format_map(known))


def _words(fault: aiomqtt.MqttError) -> tuple[str, str, object]:
    """Cause and remedy, with places for what is known, one of which is the detail."""
    error = fault.__context__
    if isinstance(fault, ClosedEarly) or isinstance(error, ConnectionResetError):
        return (*_CLOSED_EARLY, "")
    for each in (fault, fault.__cause__):
        if isinstance(each, aiomqtt.MqttCodeError) and isinstance(each.rc, ReasonCode):
            return (*_CODES.get(each.rc.value, _OTHER_CODE), each.rc)
    if isinstance(error, ssl.SSLCertVerificationError):
        remedy = _CERTIFICATE.get(error.verify_code, _OTHER_AUTHORITY)
        return _UNTRUSTED, remedy, error.verify_message
    for kind, cause, remedy in _ERRORS:
        if isinstance(error, kind):
            return cause, remedy, reason_of(error)
    return "{where}: {detail}", _BROKER_LOG, fault


def reason_of(error: OSError) -> str:
    """What the system or the TLS library says of it."""
    reason = error.reason if isinstance(error, ssl.SSLError) else error.strerror
    return reason or str(error)
