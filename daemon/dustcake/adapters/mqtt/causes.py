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


class PublicationRefused(aiomqtt.MqttError):
    """The broker answered a publication with a refusal (MQTT 5; 3.1.1 cannot tell)."""

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
    error = fault.__context__
    if isinstance(fault, ClosedEarly) or isinstance(error, ConnectionResetError):
        return Trouble(
            f"{where} closed the connection before answering",
            "check that an MQTT broker listens there, that it takes mqtt.version "
            f"{settings.version}, and whether it asks for TLS or a client certificate",
        )
    code = _reason_code(fault)
    if code is not None:
        return _coded(code, settings, where)
    if isinstance(error, ssl.SSLError):
        return _tls(error, where)
    if isinstance(error, OSError):
        return _network(error, settings.host, where)
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
                "see the broker's log; two clients of the same mqtt.client_id end each other's",
            )
        case 0x84:
            return Trouble(
                f"{where} does not speak MQTT {settings.version}", "choose the other mqtt.version"
            )
        case 0x85:
            return Trouble(
                f"{where} does not accept mqtt.client_id {settings.client_id!r}",
                "choose another one, of letters and digits",
            )
        case 0x86 | 0x87:
            return Trouble(
                f"{where} does not let user {settings.username or '(none)'} in: {code}",
                "check mqtt.username and mqtt.password_file, and that the broker knows this user",
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
                "give every daemon an mqtt.client_id of its own",
            )
        case _:
            return Trouble(f"{where} ended the connection: {code}", "see the broker's log")


def _tls(error: ssl.SSLError, where: str) -> Trouble:
    if not isinstance(error, ssl.SSLCertVerificationError):
        return Trouble(
            f"no TLS connection with {where}: {error.reason or error}",
            "check that mqtt.port is the broker's TLS port, and whether the broker asks for "
            "a client certificate",
        )
    match error.verify_code:  # X509_V_ERR_* of OpenSSL
        case 9 | 10:  # not yet valid, expired
            remedy = "check this computer's clock, then the dates in the broker's certificate"
        case 62 | 64:  # host name, address
            remedy = "let mqtt.host be a name the broker's certificate was made for"
        case _:
            remedy = "let mqtt.tls.ca_file be the authority that signed the broker's certificate"
    return Trouble(f"the certificate of {where} is not trusted: {error.verify_message}", remedy)


def _network(error: OSError, host: str, where: str) -> Trouble:
    if isinstance(error, socket.gaierror):
        return Trouble(
            f"host name {host!r} is not known",
            "check mqtt.host and the name service of this network",
        )
    if isinstance(error, ConnectionRefusedError):
        return Trouble(
            f"{where} refused the connection",
            "start the broker there, or correct mqtt.host and mqtt.port",
        )
    if isinstance(error, TimeoutError):
        return Trouble(
            f"{where} does not answer",
            "check that the broker and its computer run, the network between, and firewalls",
        )
    return Trouble(f"{where}: {error.strerror or error}", "check the network")
