"""What keeps the link from the broker is told once, in words, and is never an exception."""

import asyncio
import contextlib
from pathlib import Path

import pytest
import structlog

from dustcake.publish.topics import Keep
from ports.fake_store import FakeStore
from ports.mqtt.running_link import (
    VERSIONS,
    Says,
    link_running,
    message,
    numbered,
    settings_for,
    tls_files,
)
from system_support.broker import (
    Broker,
    Certificates,
    CuttingProxy,
    free_port,
    make_certificates,
    out_of_date,
    running,
    until,
)

pytestmark = pytest.mark.broker

SECRET = "clinker-and-ash"


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("plant"))


async def test_broker_absent_at_start_then_appears(tmp_path: Path, store: FakeStore) -> None:
    broker = Broker(tmp_path)
    store.queue(numbered(1))
    with structlog.testing.capture_logs() as logs:
        async with link_running(settings_for(broker.port), store) as link:
            status = await link.cause("refused the connection")
            assert status.trouble is not None
            assert "mqtt.port" in status.trouble.remedy
            async with running(broker):
                await link.connected()
                await until(lambda: store.empty, "empty outbox")
                broker.kill()
                await link.lost()
                await link.cause("refused the connection")
                await broker.start()
                await link.connected()
    told = [entry["event"] for entry in logs]
    assert told == [
        "broker not reached",
        "broker connected",
        "broker lost",
        "broker not reached",
        "broker back",
    ]


@pytest.mark.parametrize("version", VERSIONS)
async def test_wrong_password(tmp_path: Path, store: FakeStore, version: str) -> None:
    password_file = tmp_path / "password"
    password_file.write_text("wrong\n")
    broker = Broker(tmp_path / "broker", users={"mill": SECRET})
    async with running(broker):
        settings = settings_for(
            broker.port, version=version, username="mill", password_file=password_file
        )
        with structlog.testing.capture_logs() as logs:
            async with link_running(settings, store) as link:
                status = await link.cause("does not let user mill in")
                assert status.trouble is not None
                assert "mqtt.password_file" in status.trouble.remedy
                password_file.write_text(SECRET + "\n")  # no restart needed
                await link.connected()
        assert SECRET not in repr(logs) + repr(link.statuses) + repr(settings)
        assert "wrong" not in repr(logs)


async def test_password_file_faults(tmp_path: Path, store: FakeStore) -> None:
    missing = tmp_path / "missing"
    settings = settings_for(free_port(), username="mill", password_file=missing)
    async with link_running(settings, store) as link:
        await link.cause("No such file")
        missing.write_text("\n")
        await link.cause("is empty")
        missing.write_bytes(b"\xff\xfe")
        await link.cause("not UTF-8")


async def test_unknown_host(store: FakeStore) -> None:
    async with link_running(settings_for(1883, host="no-such-broker.invalid"), store) as link:
        await link.cause("host name 'no-such-broker.invalid' is not known")
    async with link_running(settings_for(1883, host="a..b"), store) as link:
        await link.cause("is not a host name")


async def test_something_else_listens_there(store: FakeStore) -> None:
    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        async with link_running(settings_for(port), store) as link:
            await link.cause("closed the connection before answering")


async def test_something_that_does_not_speak_tls_listens_there(store: FakeStore) -> None:
    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 good day\r\n")
        with contextlib.suppress(ConnectionError):
            await reader.read()
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        async with link_running(settings_for(port, tls=tls_files()), store) as link:
            status = await link.cause("no TLS connection")
            assert status.trouble is not None
            assert "mqtt.port" in status.trouble.remedy


async def test_a_broker_that_never_answers(broker: Broker, store: FakeStore) -> None:
    async with CuttingProxy(broker.port) as proxy:
        proxy.freeze()
        async with link_running(settings_for(proxy.port, ack_timeout_s=0.3), store) as link:
            await link.cause("does not answer")
            proxy.thaw()
            await link.connected()


async def test_another_client_of_the_same_name(broker: Broker, store: FakeStore) -> None:
    async with link_running(settings_for(broker.port, retry_first_s=30.0), store) as first:
        await first.connected()
        async with link_running(settings_for(broker.port), store) as second:
            await second.connected()
            status = await first.cause("closed the connection")
            assert status.trouble is not None
            assert "mqtt.client_id" in status.trouble.remedy
            assert second.link.status.connected


async def test_a_refused_publication_is_told_and_kept(tmp_path: Path, store: FakeStore) -> None:
    rules = "user mill\ntopic write mill/online\ntopic write mill/c1/event\n"
    store.queue(numbered(1))
    store.queue(message("mill/c2/event", seq=1))
    store.queue(numbered(2))
    password_file = tmp_path / "password"
    password_file.write_text(SECRET)
    broker = Broker(tmp_path / "broker", users={"mill": SECRET}, access_rules=rules)
    async with running(broker):
        settings = settings_for(broker.port, username="mill", password_file=password_file)
        async with link_running(settings, store) as link:
            await link.cause("refuses a publication to mill/c2/event")
            queued = [one.publication.topic for one in await store.pending(9)]
            assert queued == ["mill/c2/event", "mill/c1/event"]
            await link.connected()
            await link.cause("refuses a publication")


async def test_tls_with_the_right_authority_and_a_client_certificate(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    broker = Broker(tmp_path, certificates=certificates, client_certificate_required=True)
    store.queue(numbered(1))
    async with running(broker), broker.subscriber("mill/c1/event") as seen:
        tls = tls_files(certificates.ca, certificates.client_cert, certificates.client_key)
        for host in ("localhost", "127.0.0.1"):
            async with link_running(settings_for(broker.tls_port, host=host, tls=tls), store) as up:
                await up.connected()
                await until(lambda: len(seen.lines) == 1, "the event")


async def test_tls_without_the_client_certificate_asked_for(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    broker = Broker(tmp_path, certificates=certificates, client_certificate_required=True)
    async with running(broker):
        settings = settings_for(broker.tls_port, tls=tls_files(certificates.ca))
        async with link_running(settings, store) as link:
            status = await link.cause(f"127.0.0.1:{broker.tls_port}")
            assert status.trouble is not None
            assert "client certificate" in status.trouble.remedy


async def test_tls_with_another_authority(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    stranger = make_certificates(tmp_path / "stranger", "stranger")
    async with running(Broker(tmp_path / "broker", certificates=certificates)) as broker:
        settings = settings_for(broker.tls_port, tls=tls_files(stranger.ca))
        async with link_running(settings, store) as link:
            status = await link.cause("is not trusted")
            assert status.trouble is not None
            assert "mqtt.tls.ca_file" in status.trouble.remedy
            assert not link.link.status.connected
        # The system's list of authorities does not know the plant's either.
        async with link_running(settings_for(broker.tls_port, tls=tls_files()), store) as link:
            await link.cause("is not trusted")


async def test_tls_without_verification_connects_and_warns(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    stranger = make_certificates(tmp_path / "stranger", "stranger")
    async with running(Broker(tmp_path / "broker", certificates=certificates)) as broker:
        settings = settings_for(broker.tls_port, tls=tls_files(stranger.ca, verify=False))
        with structlog.testing.capture_logs() as logs:
            async with link_running(settings, store) as link:
                await link.connected()
        assert "broker not verified" in [entry["event"] for entry in logs]


async def test_tls_to_a_name_the_certificate_is_not_for(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    async with running(Broker(tmp_path / "broker", certificates=certificates)) as broker:
        settings = settings_for(broker.tls_port, host="127.0.0.2", tls=tls_files(certificates.ca))
        relay = CuttingProxy(broker.tls_port, "127.0.0.2", broker.tls_port)
        async with relay, link_running(settings, store) as link:
            status = await link.cause("is not trusted")
            assert status.trouble is not None
            assert "mqtt.host" in status.trouble.remedy


async def test_tls_certificate_out_of_date(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    async with running(
        Broker(tmp_path / "broker", certificates=out_of_date(certificates))
    ) as broker:
        settings = settings_for(broker.tls_port, tls=tls_files(certificates.ca))
        async with link_running(settings, store) as link:
            status = await link.cause("expired")
            assert status.trouble is not None
            assert "clock" in status.trouble.remedy


async def test_tls_to_a_plain_port_and_plain_to_a_tls_port(
    tmp_path: Path, store: FakeStore, certificates: Certificates
) -> None:
    async with running(Broker(tmp_path, certificates=certificates)) as broker:
        settings = settings_for(broker.port, tls=tls_files(certificates.ca))
        async with link_running(settings, store) as link:
            await link.cause("closed the connection before answering")
        async with link_running(settings_for(broker.tls_port), store) as link:
            await link.cause("closed the connection before answering")


async def test_tls_files_that_do_not_serve(tmp_path: Path, store: FakeStore) -> None:
    not_pem = tmp_path / "not.pem"
    not_pem.write_text("nothing")
    cases = (
        (tls_files(tmp_path / "missing.pem"), "mqtt.tls.ca_file"),
        (tls_files(not_pem), "mqtt.tls.ca_file"),
        (tls_files(None, tmp_path / "missing.pem", tmp_path / "missing.key"), "mqtt.tls.cert_file"),
        (tls_files(None, not_pem, not_pem), "mqtt.tls.cert_file"),
    )
    for tls, named in cases:
        async with link_running(settings_for(free_port(), tls=tls), store) as link:
            await link.cause(named)


async def test_the_daemon_is_not_reported_online_while_it_cannot_publish(
    tmp_path: Path, store: FakeStore
) -> None:
    password_file = tmp_path / "password"
    password_file.write_text(SECRET)
    broker = Broker(
        tmp_path / "broker",
        users={"mill": SECRET, "eye": "eye"},
        access_rules="user mill\ntopic write mill/online\nuser eye\ntopic readwrite #\n",
    )
    states = [message("mill/c1/state", Keep.LATEST, phase="idle")]
    async with running(broker), broker.subscriber("mill/online", user="eye") as seen:
        settings = settings_for(
            broker.port, username="mill", password_file=password_file, retry_first_s=60.0
        )
        async with link_running(settings, store, Says(states)) as link:
            await link.cause("refuses a publication to mill/c1/state")
            await until(lambda: len(seen.lines) == 2, "birth and goodbye")
            assert '"online": true' in seen.lines[0]
            assert '"online": false' in seen.lines[1]
