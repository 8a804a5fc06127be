"""One connection to the broker, from CONNECT to DISCONNECT, and the files it needs: the password
and the TLS certificates."""

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import structlog
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import DisconnectFlags
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from dustcake.adapters.limits import Turns
from dustcake.adapters.mqtt.packets import (
    BoundedReader,
    Inbox,
    connect_properties,
    publish_properties,
)
from dustcake.adapters.mqtt.trouble import ClosedEarly, LinkFault, LinkSettings, reason_of
from dustcake.publish.topics import Publication
from dustcake.settings.services import Tls

_log = structlog.get_logger(__name__)

# The libraries report each fault several times and in their own words; the link reports it once.
_library_log = logging.getLogger("dustcake.mqtt.library")
_library_log.setLevel(logging.CRITICAL)


MESSAGES_APART_S = 0.002


class Connection(aiomqtt.Client):
    """An aiomqtt client that makes good six faults of aiomqtt 2.5, each described below."""

    def __init__(
        self,
        settings: LinkSettings,
        password: str | None,
        tls: ssl.SSLContext | None,
        will: Publication,
        on_sent: Callable[[], None],
    ) -> None:
        self._on_sent = on_sent
        broker = settings.broker
        self._speaks_v5 = v5 = broker.version == "5"
        self._refusal: ReasonCode | None = None
        self._turns = Turns(MESSAGES_APART_S)
        super().__init__(
            broker.host,
            broker.port_used,
            identifier=settings.client_id,
            username=broker.username,
            password=password,
            protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if v5 else True,
            properties=connect_properties() if v5 else None,
            will=aiomqtt.Will(
                will.topic,
                will.payload,
                will.qos,
                will.retain,
                publish_properties(will, packet_type=PacketTypes.WILLMESSAGE) if v5 else None,
            ),
            keepalive=broker.keepalive_s,
            timeout=settings.ack_timeout_s,
            tls_context=tls,
            # paho's own check of the host name calls what Python 3.12 has removed.
            tls_insecure=None if tls is None or tls.check_hostname else True,
            logger=_library_log,
            # Its own are without bound.
            queue_type=Inbox,
        )

    async def incoming(self) -> AsyncIterator[aiomqtt.Message]:
        """The messages that come in, each in its turn, until the connection ends with an
        ``aiomqtt.MqttError``."""
        async for message in self.messages:
            await self._turns.next()
            yield message

    async def listen(
        self, topics: Sequence[str], refused: str, *, as_published: bool = False
    ) -> None:
        """Subscribe at QoS 1; what the broker refuses is logged as ``refused``, and costs only
        that. ``as_published``, with MQTT 5: a message that was sent as a retained one says so also
        when it comes at once.

        Raises ``aiomqtt.MqttError``.
        """
        how: Any = 1
        if self._speaks_v5:
            how = SubscribeOptions(qos=1, retainAsPublished=as_published)
        codes = await self.subscribe([(topic, how) for topic in topics])
        for topic, code in zip(topics, codes, strict=True):
            if isinstance(code, ReasonCode) and code.is_failure:
                remedy = "allow this user to read there in the broker's access rules"
                _log.warning(refused, topic=topic, cause=str(code), remedy=remedy)

    async def send(self, publication: Publication, correlation_data: bytes | None = None) -> None:
        """Publish at QoS 0: return when it has been written. Raises ``aiomqtt.MqttError``."""
        await self.publish(*self._packet(publication, 0, correlation_data))

    def send_at_once(self, publication: Publication) -> bool:
        """Publish at QoS 0 if nothing has to be waited for; whether it has been."""
        if self._disconnected.done() or self._client.want_write():
            return False
        info = self._client.publish(*self._packet(publication, 0))
        return info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    async def deliver(self, publication: Publication) -> None:
        """Publish at its own QoS; at 1, return when the broker has acknowledged it.

        One at a time: that keeps the order whatever happens, and several ahead of their
        acknowledgements were found slower, 500 against 2900 a second on one machine, for the
        broker's replies are then held back by Nagle's algorithm.

        Raises ``aiomqtt.MqttError`` where the broker says that it did not take it (MQTT 5; 3.1.1
        cannot say so), and when the connection ends or the acknowledgement does not come; then it
        may have arrived all the same.
        """
        self._refusal = None
        await self.publish(*self._packet(publication, publication.qos))
        if self._refusal is not None:
            raise LinkFault(
                f"the broker refuses a publication to {publication.topic}: {self._refusal}",
                "allow this user to write there in the broker's access rules",
            )

    def _packet(
        self, publication: Publication, qos: int, correlation_data: bytes | None = None
    ) -> tuple[str, bytes, int, bool, Properties | None]:
        properties = publish_properties(publication, correlation_data) if self._speaks_v5 else None
        return publication.topic, publication.payload, qos, publication.retain, properties

    def _on_publish(
        self,
        client: PahoClient,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        # aiomqtt takes every PUBACK for a success, even one that says "not authorised".
        if reason_code.is_failure:
            self._refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_socket_open(self, client: PahoClient, userdata: Any, sock: Any) -> None:
        # Called between the network connection and CONNECT, in the thread that connects while
        # the loop waits for it.
        self._on_sent()
        super()._on_socket_open(client, userdata, sock)
        # In place of aiomqtt's own, which reads as long as there is something to be had.
        reader = BoundedReader(client, sock)
        self._loop.call_soon_threadsafe(self._start_reading, sock, reader)

    def _start_reading(self, sock: Any, reader: BoundedReader) -> None:
        if sock.fileno() >= 0:  # the broker may have closed the connection already
            self._loop.add_reader(sock.fileno(), self._read, reader)

    def _read(self, reader: BoundedReader) -> None:
        if self._disconnected.done():
            return
        try:
            if reader.read():
                self._loop.call_soon(self._read, reader)
        except Exception as error:  # noqa: BLE001 -- handed on to whoever waits on the connection
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    def _on_disconnect(
        self,
        client: PahoClient,
        userdata: Any,
        flags: DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        # aiomqtt would wait its whole time-out for a CONNACK that cannot come any more.
        if not self._connected.done():
            self._connected.set_exception(ClosedEarly())
        elif self._connected.cancelled():
            # Given up while it was being made: nobody waits for it, and aiomqtt would stumble.
            if not self._disconnected.done():
                self._disconnected.set_result(None)
            return
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_socket_register_write(
        self, client: PahoClient, userdata: Any, sock: socket.socket
    ) -> None:
        # aiomqtt always puts this off to the loop's next turn. By then the connection may have
        # been lost and the descriptor closed, or given to another connection of the daemon. And it
        # would cost half of what a publication takes: nearly always there is room to write at once.
        try:
            asyncio.get_running_loop()
        except RuntimeError:  # CONNECT is sent from the thread that connects
            super()._on_socket_register_write(client, userdata, sock)
            return
        self._write(client)
        if client.want_write() and sock.fileno() >= 0:
            self._loop.add_writer(sock.fileno(), self._write, client)

    def _write(self, client: PahoClient) -> None:
        try:
            client.loop_write()
        except Exception as error:  # noqa: BLE001 -- handed on to whoever waits on the connection
            if not self._disconnected.done():
                self._disconnected.set_exception(error)


@asynccontextmanager
async def connect(
    settings: LinkSettings,
    will: Publication,
    on_sent: Callable[[], None],
    disconnect_s: float,
) -> AsyncIterator[Connection]:
    """Connect, and disconnect on the way out within ``disconnect_s``. ``on_sent`` is called once
    the broker can be reached, and so gets the request to connect.

    Each call makes a client of its own: entering the same one again would reorder messages.
    Raises ``aiomqtt.MqttError`` when there is no connection to be had.
    """
    tls, password, broker, table = None, None, settings.broker, settings.table
    try:
        broker.host.encode("idna")
    except UnicodeError as error:
        raise LinkFault(
            f"{table}.host {broker.host!r} is not a host name", f"correct {table}.host"
        ) from error
    if broker.tls is not None:
        tls = await asyncio.to_thread(tls_context, broker.tls, table)
    if broker.password_file is not None:
        password = await asyncio.to_thread(read_password, broker.password_file, table)
    connection = Connection(settings, password, tls, will, on_sent)
    try:
        await connection.__aenter__()
        yield connection
    finally:
        connection.timeout = disconnect_s
        with suppress(aiomqtt.MqttError):
            await connection.__aexit__(None, None, None)


class _TidySocket(ssl.SSLSocket):
    """paho-mqtt forgets a socket whose handshake fails, so it must close itself."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def read_password(path: str, table: str) -> str:
    """The password in ``path``, without its line end. Read at each connect, so that a changed
    password needs no restart. ``table``: of the settings, for messages.

    Raises ``LinkFault`` when the file cannot be read or is empty.
    """
    named = f"{table}.password_file {path}"
    try:
        password = Path(path).read_text(encoding="utf-8").rstrip("\r\n")
    except OSError as error:
        raise LinkFault(
            f"{named}: {error.strerror}", "make the file readable for the user the daemon runs as"
        ) from error
    except UnicodeDecodeError as error:
        raise LinkFault(f"{named} is not UTF-8 text", "write the password as plain text") from error
    if not password:
        raise LinkFault(f"{named} is empty", "write the password into it")
    return password


def tls_context(tls: Tls, table: str) -> ssl.SSLContext:
    """A context that verifies the broker's certificate and its host name, unless ``tls`` says
    otherwise.

    Raises ``LinkFault`` when a file is missing, unreadable or not what it should be.
    """
    try:
        context = ssl.create_default_context(ssl.Purpose.SERVER_AUTH, cafile=tls.ca_file)
    except OSError as error:
        raise LinkFault(
            f"{table}.tls.ca_file {tls.ca_file}: {reason_of(error)}",
            "name the PEM file of the authority that signed the broker's certificate",
        ) from error
    # From Python 3.13 on the default also refuses certificates without an authority key
    # identifier, which a plant's own small authority often leaves out. Signature, dates and host
    # name are verified by every version alike.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    context.sslsocket_class = _TidySocket
    if not tls.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    if tls.cert_file is None:
        return context
    try:
        # The empty password stops OpenSSL from asking for one at the terminal.
        context.load_cert_chain(tls.cert_file, tls.key_file, password="")
    except OSError as error:
        raise LinkFault(
            f"{table}.tls.cert_file {tls.cert_file}, key_file {tls.key_file}: {reason_of(error)}",
            "name this client's PEM certificate and its own unencrypted key, both readable for "
            "the user the daemon runs as",
        ) from error
    return context


async def received(host: str, port: int, topic_filter: str) -> AsyncIterator[tuple[str, bytes]]:
    """Topic and payload of everything published under ``topic_filter``, retained first.

    Raises aiomqtt.MqttError when the broker cannot be reached or goes away.
    """
    async with aiomqtt.Client(host, port, protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe(topic_filter, qos=1)
        async for message in client.messages:
            if isinstance(message.payload, bytes):
                yield str(message.topic), message.payload
