"""Why the broker is away, in words a technician can act on."""

import socket
import ssl

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.mqtt.settings import LinkSettings
from dustcake.core.record import record


@record
class Trouble:
    """What is wrong with the link, and what to do about it."""

    cause: str
    remedy: str


class SetupFault(aiomqtt.MqttError):
    """A file named in the settings does not serve."""

    def __init__(self, cause: str, remedy: str) -> None:
        super().__init__(cause)
        self.trouble = Trouble(cause, remedy)


class ClosedEarly(aiomqtt.MqttError):
    """The broker closed the connection instead of answering the request to connect."""


class HostAway(aiomqtt.MqttError):
    """The primary host application has said that it is offline, so the session is to end."""


class PublicationRefused(aiomqtt.MqttError):
    """The broker answered a publication with a refusal (MQTT 5; 3.1.1 has none)."""

    def __init__(self, topic: str, reason: str) -> None:
        super().__init__(reason)
        self.topic = topic
        self.reason = reason


def explain(fault: aiomqtt.MqttError, settings: LinkSettings) -> Trouble:
    """Put ``fault`` in plain words."""
    where = f"{settings.host}:{settings.port}"
    if isinstance(fault, SetupFault):
        return fault.trouble
    if isinstance(fault, PublicationRefused):
        return Trouble(
            f"the broker refuses a publication to {fault.topic}: {fault.reason}",
            "allow this user to write there in the broker's access rules",
        )
    if isinstance(fault, HostAway):
        return Trouble(
            f"the primary host application is offline at {where}",
            "start it, or correct sparkplug.primary_host",
        )
    error = fault.__context__
    if isinstance(fault, ClosedEarly) or isinstance(error, ConnectionResetError):
        return Trouble(
            f"{where} closed the connection before answering",
            f"check that an MQTT broker listens there, that it takes {settings.table}.version "
            f"{settings.version}, and whether it requires TLS or a client certificate",
        )
    code = _reason_code(fault)
    if code is not None:
        return _coded(code, settings, where)
    if isinstance(error, ssl.SSLError):
        return _tls(error, settings, where)
    if isinstance(error, OSError):
        return _network(error, settings, where)
    return Trouble(f"{where}: {fault}", "see the broker's log")


def _reason_code(fault: BaseException) -> ReasonCode | None:
    for error in (fault, fault.__cause__):
        if isinstance(error, aiomqtt.MqttCodeError) and isinstance(error.rc, ReasonCode):
            return error.rc
    return None


def _coded(code: ReasonCode, settings: LinkSettings, where: str) -> Trouble:
    # Reason codes of MQTT 5.0, section 2.4; paho gives the return codes of 3.1.1 as the same.
    match code.value:
        case 0x80:
            return Trouble(
                f"{where} closed the connection",
                "see the broker's log; two clients of the same "
                f"{settings.table}.client_id end each other's",
            )
        case 0x84:
            return Trouble(
                f"{where} does not speak MQTT {settings.version}",
                f"choose the other {settings.table}.version",
            )
        case 0x85:
            return Trouble(
                f"{where} does not accept {settings.table}.client_id {settings.client_id!r}",
                "choose another one, of letters and digits",
            )
        case 0x86 | 0x87:
            return Trouble(
                f"{where} does not let user {settings.username or '(none)'} in: {code}",
                f"check {settings.table}.username and {settings.table}.password_file, and that "
                "the broker knows this user",
            )
        case 0x8B:
            return Trouble(f"the broker at {where} is shutting down", "start the broker")
        case 0x8D:
            return Trouble(
                f"no answer from {where} within the keepalive of {settings.keepalive_s} s",
                "check the network between here and the broker",
            )
        case 0x8E:
            return Trouble(
                f"another client has connected to {where} as {settings.client_id!r}",
                f"give every daemon an {settings.table}.client_id of its own",
            )
        case _:
            return Trouble(f"{where} ended the connection: {code}", "see the broker's log")


def _tls(error: ssl.SSLError, settings: LinkSettings, where: str) -> Trouble:
    if not isinstance(error, ssl.SSLCertVerificationError):
        return Trouble(
            f"no TLS connection with {where}: {error.reason or error}",
            f"check that {settings.table}.port is the broker's TLS port, and whether the "
            "broker requires a client certificate",
        )
    match error.verify_code:  # X509_V_ERR_* of OpenSSL
        case 9 | 10:  # not yet valid, expired
            remedy = "check this computer's clock, then the dates in the broker's certificate"
        case 62 | 64:  # host name, address
            remedy = f"let {settings.table}.host be a name the broker's certificate was made for"
        case _:
            remedy = (
                f"let {settings.table}.tls.ca_file be the authority that signed the broker's "
                "certificate"
            )
    return Trouble(f"the certificate of {where} is not trusted: {error.verify_message}", remedy)


def _network(error: OSError, settings: LinkSettings, where: str) -> Trouble:
    if isinstance(error, socket.gaierror):
        return Trouble(
            f"host name {settings.host!r} is not known",
            f"check {settings.table}.host and the name service of this network",
        )
    if isinstance(error, ConnectionRefusedError):
        return Trouble(
            f"{where} refused the connection",
            f"start the broker there, or correct {settings.table}.host and {settings.table}.port",
        )
    if isinstance(error, TimeoutError):
        return Trouble(
            f"{where} does not answer",
            "check that the broker and its computer run, the network between, and firewalls",
        )
    return Trouble(f"{where}: {error.strerror or error}", "check the network")
