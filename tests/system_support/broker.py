"""A real mosquitto broker for tests, its command-line clients, and certificates for it."""

import asyncio
import contextlib
import dataclasses
import getpass
import os
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import pytest

PATIENCE_S = 20.0


def free_port() -> int:
    """A port nothing listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def accepts_connections(port: int) -> bool:
    """Whether somebody listens on a port of 127.0.0.1 just now."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


def program(name: str) -> str:
    """Path of a program of the mosquitto or openssl packages; where it is missing the test fails
    in CI, and is skipped, saying so, on a developer's machine."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        _missing(f"{name} is not installed: install mosquitto, mosquitto-clients and openssl")
    return found


def _missing(message: str) -> NoReturn:
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


async def until(condition: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Return once ``condition`` holds; fail the test, naming ``what``, if it does not come."""
    try:
        async with asyncio.timeout(patience_s):
            while not condition():  # noqa: ASYNC110 -- processes outside tell no event
                await asyncio.sleep(0.005)
    except TimeoutError:
        pytest.fail(f"waited {patience_s:g} s in vain for: {what}")


@dataclass
class Certificates:
    """PEM files of an authority, a broker on 127.0.0.1 and localhost, and a client."""

    ca: Path
    broker_cert: Path
    broker_key: Path
    client_cert: Path
    client_key: Path


def _openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(
        [program("openssl"), *arguments], cwd=folder, check=True, capture_output=True, timeout=60
    )


def _sign(folder: Path, who: str, days: int, to: str) -> None:
    _openssl(folder, "x509", "-req", "-in", f"{who}.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
             "-CAcreateserial", "-days", str(days), "-extfile", "names", "-out", to)  # fmt: skip


def make_certificates(folder: Path, name: str = "plant") -> Certificates:
    """Make an authority called ``name`` and what it signs, valid for two days."""
    folder.mkdir(parents=True, exist_ok=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    _openssl(folder, "req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2",
             "-subj", f"/CN={name} test authority")  # fmt: skip
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\n")
    for who, common_name in (("broker", "localhost"), ("client", "dustcake")):
        _openssl(folder, "req", "-new", *key, "-keyout", f"{who}.key", "-out", f"{who}.csr",
                 "-subj", f"/CN={common_name}")  # fmt: skip
        _sign(folder, who, 2, f"{who}.pem")
    return Certificates(
        folder / "ca.pem",
        folder / "broker.pem",
        folder / "broker.key",
        folder / "client.pem",
        folder / "client.key",
    )


def out_of_date(certificates: Certificates) -> Certificates:
    """The same, with a broker certificate that ended yesterday."""
    folder = certificates.ca.parent
    _sign(folder, "broker", -1, "ended.pem")
    return dataclasses.replace(certificates, broker_cert=folder / "ended.pem")


@dataclass
class Broker:
    """One mosquitto on 127.0.0.1. ``users``: name to password, empty for anonymous access.

    ``tls_port`` appears once ``certificates`` are given. ``persistent``: what it holds is on the
    disk before it answers, so that it survives ``kill``. ``extra``: further configuration lines.
    """

    folder: Path
    users: dict[str, str] = field(default_factory=dict)
    access_rules: str | None = None
    certificates: Certificates | None = None
    client_certificate_required: bool = False
    persistent: bool = False
    extra: tuple[str, ...] = ()
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        """What the broker has logged."""
        path = self.folder / "broker.log"
        return path.read_text() if path.exists() else ""

    @property
    def pid(self) -> int:
        """Process id of the broker that runs."""
        assert self._process is not None
        return self._process.pid

    def _configure(self) -> Path:
        self.folder.mkdir(parents=True, exist_ok=True)
        lines = [
            "per_listener_settings false",
            f"log_dest file {self.folder / 'broker.log'}",
            "log_type all",
            f"user {getpass.getuser()}",  # when started as root it would change to its own user
            f"allow_anonymous {'false' if self.users else 'true'}",
            f"listener {self.port} 127.0.0.1",
        ]
        if self.users:
            passwords = self.folder / "passwords"
            passwords.touch(mode=0o600)
            for name, password in self.users.items():
                subprocess.run(
                    [program("mosquitto_passwd"), "-b", str(passwords), name, password],
                    check=True,
                    capture_output=True,
                    timeout=60,
                )
            lines.append(f"password_file {passwords}")
        if self.access_rules is not None:
            rules = self.folder / "access"
            rules.touch(mode=0o600)
            rules.write_text(self.access_rules)
            lines.append(f"acl_file {rules}")
        if self.persistent:
            lines += [
                "persistence true",
                f"persistence_location {self.folder}/",
                "autosave_on_changes true",
                "autosave_interval 1",
            ]
        if self.certificates is not None:
            lines += [
                f"listener {self.tls_port} 127.0.0.1",
                f"cafile {self.certificates.ca}",
                f"certfile {self.certificates.broker_cert}",
                f"keyfile {self.certificates.broker_key}",
                f"require_certificate {str(self.client_certificate_required).lower()}",
            ]
        path = self.folder / "broker.conf"
        path.write_text("\n".join([*lines, *self.extra, ""]))
        return path

    async def start(self) -> None:
        """Start, and return when it listens."""
        self.start_from(self._configure())
        await self.listening()

    def start_from(self, configuration: Path) -> None:
        """Start with a configuration file of the caller's own."""
        self._process = subprocess.Popen([program("mosquitto"), "-c", str(configuration)])

    async def listening(self) -> None:
        """Return when the broker accepts connections."""

        def listens() -> bool:
            assert self._process is not None
            assert self._process.poll() is None, f"the broker has ended:\n{self.log}"
            return accepts_connections(self.port)

        await until(listens, f"broker on port {self.port}")

    def kill(self) -> None:
        """As a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._process = None

    def stop(self) -> None:
        """In order."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(PATIENCE_S)
            self._process = None

    def client_arguments(self, user: str | None = None) -> list[str]:
        """Where to connect, for mosquitto_sub and mosquitto_pub."""
        arguments = ["-h", "127.0.0.1", "-p", str(self.port)]
        if user is not None:
            arguments += ["-u", user, "-P", self.users[user]]
        return arguments

    async def publish(
        self, topic: str, payload: str, *options: str, user: str | None = None
    ) -> None:
        """Publish with mosquitto_pub."""
        await self._publish(topic, "-m", payload, *options, user=user)

    async def publish_file(self, topic: str, path: Path, *options: str) -> None:
        """Publish the bytes of a file with mosquitto_pub, at QoS 1."""
        await self._publish(topic, "-f", str(path), "-q", "1", *options)

    async def _publish(self, topic: str, *options: str, user: str | None = None) -> None:
        process = await asyncio.create_subprocess_exec(
            program("mosquitto_pub"),
            *self.client_arguments(user),
            *("-t", topic),
            *options,
        )
        assert await asyncio.wait_for(process.wait(), PATIENCE_S) == 0

    def subscriber(self, *topics: str, user: str | None = None, **options: object) -> "Subscriber":
        """See ``Subscriber``."""
        return Subscriber(self, topics, user=user, **options)  # type: ignore[arg-type]


@contextlib.asynccontextmanager
async def running(broker: Broker) -> AsyncIterator[Broker]:
    """``broker`` started, and stopped afterwards."""
    try:
        await broker.start()
        yield broker
    finally:
        broker.stop()


class Subscriber:
    """mosquitto_sub on ``topics``, subscribed when entered.

    ``lines``: one for each message, in the client's ``line_format`` (payload alone by default).
    ``session``: a client identifier, for a session that outlives connections.
    """

    _count = 0

    def __init__(
        self,
        broker: Broker,
        topics: tuple[str, ...],
        *,
        user: str | None = None,
        line_format: str = "%p",
        version: str = "5",
        session: str | None = None,
    ) -> None:
        self._broker = broker
        self._topics = topics
        self._user = user
        self._format = line_format
        self._version = version
        self._session = session
        self.lines: list[str] = []

    async def __aenter__(self) -> "Subscriber":
        # A retained message of its own tells that the subscription, which is one packet, is made.
        Subscriber._count += 1
        probe = f"probe/{os.getpid()}/{Subscriber._count}"
        await self._broker.publish(probe, "subscribed", "-r", user=self._user)
        arguments = ["-V", self._version.replace(".", ""), "-q", "1", "-F", f"%t\t{self._format}"]
        if self._session is not None:
            arguments += ["-c", "-i", self._session]
            arguments += ["-x", "3600"] if self._version == "5" else []
        for topic in (*self._topics, probe):
            arguments += ["-t", topic]
        self._process = await asyncio.create_subprocess_exec(
            program("mosquitto_sub"),
            *self._broker.client_arguments(self._user),
            *arguments,
            stdout=asyncio.subprocess.PIPE,
        )
        self._ready = asyncio.Event()
        self._reader = asyncio.create_task(self._read(probe))
        await asyncio.wait_for(self._ready.wait(), PATIENCE_S)
        return self

    async def heard(self, count: int) -> None:
        """Return when ``count`` different messages have come."""
        await until(lambda: len(set(self.lines)) >= count, f"{count} different messages")

    async def _read(self, probe: str) -> None:
        assert self._process.stdout is not None
        async for raw in self._process.stdout:
            topic, _, line = raw.decode().rstrip("\n").partition("\t")
            if topic == probe:
                self._ready.set()
            else:
                self.lines.append(line)

    async def __aexit__(self, *_: object) -> None:
        self._process.terminate()
        try:
            await asyncio.wait_for(self._process.wait(), PATIENCE_S)
        except TimeoutError:  # a client that has just lost its broker may not hear it
            self._process.kill()
            await self._process.wait()
        await self._reader


class CuttingProxy:
    """A TCP proxy before a port of 127.0.0.1 that can cut, freeze and refuse."""

    def __init__(self, target_port: int, address: str = "127.0.0.1", port: int = 0) -> None:
        self._target_port = target_port
        self._address = address
        self._wanted_port = port
        self._writers: set[asyncio.StreamWriter] = set()
        self._serving: set[asyncio.Task[Any] | None] = set()
        self._flowing = asyncio.Event()
        self._flowing.set()
        self.connections = 0

    async def __aenter__(self) -> "CuttingProxy":
        self._server = await asyncio.start_server(self._serve, self._address, self._wanted_port)
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        self._flowing.set()
        self.cut()
        await self._server.wait_closed()
        await until(lambda: not self._serving, "end of the connections through the proxy")

    def cut(self) -> None:
        """Break every connection at once, losing what is under way."""
        for writer in self._writers:
            writer.transport.abort()

    def freeze(self) -> None:
        """Swallow nothing and pass nothing on: the half-open link of a pulled cable."""
        self._flowing.clear()

    def thaw(self) -> None:
        """Pass things on again."""
        self._flowing.set()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        self._serving.add(task)
        with contextlib.suppress(OSError, asyncio.CancelledError):
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target_port)
            pair = {writer, far_writer}
            self._writers |= pair
            try:
                async with asyncio.TaskGroup() as tasks:
                    tasks.create_task(self._pump(reader, far_writer))
                    tasks.create_task(self._pump(far_reader, writer))
            finally:
                self._writers -= pair
                for one in pair:
                    one.transport.abort()
        writer.transport.abort()
        self._serving.discard(task)

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                await self._flowing.wait()
                writer.write(data)
                await writer.drain()
        writer.transport.abort()
