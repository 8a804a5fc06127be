"""The example broker configuration in deploy/, run as it is but for its paths and port."""

import asyncio
import dataclasses
import getpass
import json
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from dustcake.adapters.mqtt import LinkSettings, TlsFiles
from dustcake.publish.publication import Keep, Publication
from ports.fake_store import FakeStore
from ports.mqtt.running_link import Says, link_running, message, settings_for
from system_support.broker import PATIENCE_S, Broker, make_certificates, program, until

pytestmark = pytest.mark.broker

EXAMPLE = Path(__file__).parents[3] / "deploy" / "mosquitto"
USERS = {
    "dustcake": "filter",
    "viewer": "screen",
    "scada": "desk",
    "dustcake-sparkplug": "node",
    "sparkplug-host": "room",
}


class Example:
    """The running example and how to reach it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.broker = Broker(folder)
        self.certificates = make_certificates(folder / "certs")
        passwords = folder / "dustcake.passwords"
        passwords.touch(mode=0o600)
        for name, password in USERS.items():
            subprocess.run(
                [program("mosquitto_passwd"), "-b", str(passwords), name, password],
                check=True,
                timeout=60,
            )
        (folder / "password").write_text(USERS["dustcake"])
        rules = folder / "dustcake.access"
        rules.touch(mode=0o600)
        rules.write_text((EXAMPLE / "dustcake.access").read_text())
        text = (EXAMPLE / "dustcake.conf").read_text()
        text = text.replace("/etc/mosquitto/certs", str(folder / "certs"))
        text = text.replace("/etc/mosquitto/dustcake.", f"{folder}/dustcake.")
        text = text.replace("/var/lib/mosquitto/", f"{folder}/")
        text = text.replace("listener 8883", f"listener {self.broker.port} 127.0.0.1")
        directives = [line for line in text.splitlines() if not line.startswith("#")]
        assert not [line for line in directives if "/etc/" in line or "/var/" in line]
        text += f"\nuser {getpass.getuser()}\nlog_dest file {folder}/broker.log\nlog_type all\n"
        (folder / "dustcake.conf").write_text(text)

    def settings(self) -> LinkSettings:
        return settings_for(
            self.broker.port,
            host="localhost",
            root="dustcake",
            username="dustcake",
            password_file=self.folder / "password",
            tls=TlsFiles(self.certificates.ca),
            request_topics=("dustcake/+/request",),
        )


@pytest.fixture
async def example(tmp_path: Path) -> AsyncIterator[Example]:
    made = Example(tmp_path)
    made.broker.start_from(tmp_path / "dustcake.conf")
    try:
        await made.broker.listening()
        yield made
    finally:
        made.broker.stop()


class Daemon(Says):
    """A presence under the example's root."""

    def _say(self, **body: object) -> Publication:
        return message("dustcake/online", Keep.LATEST, **body)

    def will(self) -> Publication:
        return self._say(online=False)

    birth = goodbye = will


async def run_client(example: Example, name: str, user: str, *arguments: str) -> str:
    """All that a command-line client of mosquitto says."""
    process = await asyncio.create_subprocess_exec(
        *(program(name), "-V", "5", "-h", "localhost", "-p", str(example.broker.port)),
        *("--cafile", str(example.certificates.ca), "-u", user, "-P", USERS[user]),
        *arguments,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    said, _ = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    return said.decode()


async def test_each_user_may_do_what_the_access_rules_say(
    example: Example, store: FakeStore
) -> None:
    taken: list[str] = []

    async def answer(*, topic: str, response_topic: str, correlation_data: bytes, **_: Any) -> None:
        taken.append(topic)
        daemon.link.reply(response_topic, b'{"accepted": false}', correlation_data)

    store.queue(message("dustcake/c1/state", Keep.LATEST, phase="idle"))
    async with link_running(example.settings(), store, Daemon(), answer) as daemon:
        await daemon.connected()
        await until(lambda: store.empty, "the state to be delivered")
        request = ("-q", "1", "-t", "dustcake/c1/request", "-m", "{}")

        seen = await run_client(
            example, "mosquitto_sub", "viewer", "-t", "dustcake/c1/state", "-C", "1", "-W", "10"
        )
        assert json.loads(seen) == {"phase": "idle"}
        assert "Not authorized" in await run_client(example, "mosquitto_pub", "viewer", *request)

        said = await run_client(
            example, "mosquitto_rr", "scada", *request, "-e", "replies/scada/7", "-W", "10"
        )
        assert json.loads(said) == {"accepted": False}
        forged = ("-q", "1", "-t", "dustcake/c1/state", "-r", "-m", "forged")
        assert "Not authorized" in await run_client(example, "mosquitto_pub", "scada", *forged)
    assert taken == ["dustcake/c1/request"]


async def test_a_sparkplug_node_speaks_for_itself_alone(example: Example) -> None:
    async def publishes(user: str, topic: str, *options: str) -> bool:
        said = await run_client(
            example, "mosquitto_pub", user, "-q", "1", "-t", topic, "-m", "x", *options
        )
        assert said in ("", "Warning: Publish 1 failed: Not authorized.\n"), said
        return said == ""

    node, host = "dustcake-sparkplug", "sparkplug-host"
    may = {
        (node, "spBv1.0/works/NBIRTH/dust"): True,
        (node, "spBv1.0/works/DDATA/dust/grinding-1"): True,
        (node, "spBv1.0/works/NBIRTH/another"): False,
        (node, "spBv1.0/works/DDATA/another/dust"): False,
        (node, "spBv1.0/other/NBIRTH/dust"): False,
        (node, "spBv1.0/STATE/control-room"): False,
        (node, "dustcake/c1/state"): False,
        (host, "spBv1.0/STATE/control-room"): True,
        (host, "spBv1.0/works/NCMD/dust"): True,
        (host, "spBv1.0/works/DCMD/dust/grinding-1"): True,
        (host, "spBv1.0/works/DDATA/dust/grinding-1"): False,
        ("viewer", "spBv1.0/works/NCMD/dust"): False,
        ("dustcake", "spBv1.0/works/NBIRTH/dust"): False,
    }
    found = {(user, topic): await publishes(user, topic) for user, topic in may}
    assert found == may
    await publishes(host, "spBv1.0/STATE/control-room", "-r")
    for user, heard in ((node, "x\n"), ("viewer", "")):
        said = await run_client(
            example, "mosquitto_sub", user, "-t", "spBv1.0/STATE/+", "-C", "1", "-W", "1"
        )
        assert said.replace("Timed out\n", "") == heard


async def test_without_a_password_or_encryption_nobody_gets_in(
    example: Example, store: FakeStore
) -> None:
    nameless = dataclasses.replace(example.settings(), username=None, password_file=None)
    async with link_running(nameless, store, Daemon()) as daemon:
        await daemon.cause("does not let user (none) in")
    plain = dataclasses.replace(example.settings(), tls=None)
    async with link_running(plain, store, Daemon()) as daemon:
        await daemon.cause("closed the connection before answering")
