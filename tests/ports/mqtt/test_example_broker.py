"""The example broker configuration in deploy/: each user may do what its access rules say."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from dustcake.adapters.mqtt import LinkSettings
from dustcake.publish.topics import Keep
from ports.fake_store import FakeStore
from ports.mqtt.running_link import Says, link_running, message, settings_for, tls_files
from system_support.broker import until
from system_support.example_broker import Example, example_running

pytestmark = pytest.mark.broker

REQUESTS = "dustcake/welding-1/request"


@pytest.fixture
async def example(tmp_path: Path) -> AsyncIterator[Example]:
    async with example_running(tmp_path) as made:
        yield made


def settings_of(example: Example, collector: str = "welding-1", **changes: Any) -> LinkSettings:
    return settings_for(
        example.broker.port,
        **{
            "host": "localhost",
            "client_id": collector,
            "root": "dustcake",
            "username": collector,
            "password_file": example.folder / f"{collector}.password",
            "tls": tls_files(example.certificates.ca),
            **changes,
        },
    )


def says(collector: str) -> Says:
    return Says(topic=f"dustcake/{collector}/online")


async def test_each_user_may_write_what_the_access_rules_say(example: Example) -> None:
    may = {
        # A collector speaks for itself alone, whatever it says.
        ("welding-1", "dustcake/welding-1/state"): True,
        ("welding-1", "dustcake/welding-1/reply/scada"): True,
        ("welding-1", "replies/scada/7"): True,
        ("welding-1", "dustcake/welding-2/state"): False,
        ("welding-1", "dustcake/welding-2/online"): False,
        ("welding-1", "dustcake/welding-2/reply/scada"): False,
        ("welding-1", "dustcake/welding-2/request/adjust/scada"): False,
        # People and SCADA ask in their own name, at their own level, and forge no state.
        ("viewer", f"{REQUESTS}/acknowledge/viewer"): False,
        ("operator", f"{REQUESTS}/acknowledge/operator"): True,
        ("operator", f"{REQUESTS}/acknowledge/scada"): False,
        ("operator", f"{REQUESTS}/adjust/operator"): False,
        ("operator", f"{REQUESTS}/adjust/scada"): False,
        ("scada", f"{REQUESTS}/adjust/scada"): True,
        ("scada", f"{REQUESTS}/acknowledge/scada"): True,
        ("scada", f"{REQUESTS}/adjust/operator"): False,
        ("scada", f"{REQUESTS}/adjust/welding-1"): False,
        ("scada", "dustcake/welding-1/state"): False,
        ("scada", "dustcake/welding-1/event"): False,
        ("scada", "dustcake/welding-1/reply/scada"): False,
        ("viewer", "dustcake/welding-1/state"): False,
    }
    found = {(user, topic): await example.may_publish(user, topic) for user, topic in may}
    assert found == may


async def test_nobody_hears_requests_but_whom_they_are_for(
    example: Example, store: FakeStore
) -> None:
    """One retained message on each topic, and what each user is told of them."""
    topics = {
        "dustcake/welding-1/state": "welding-1",
        "dustcake/welding-1/reply/scada": "welding-1",
        "dustcake/welding-1/reply/operator": "welding-1",
        f"{REQUESTS}/adjust/scada": "scada",
    }
    for topic, user in topics.items():
        assert await example.may_publish(user, topic, "-r")
    hears = {
        "welding-1": {f"{REQUESTS}/adjust/scada"},
        "welding-2": set(),
        "viewer": {"dustcake/welding-1/state"},
        "operator": {"dustcake/welding-1/state", "dustcake/welding-1/reply/operator"},
        "scada": {"dustcake/welding-1/state", "dustcake/welding-1/reply/scada"},
    }
    for user, wanted in hears.items():
        said = await example.run_client(
            "mosquitto_sub", user, "-t", "dustcake/#", "-F", "%t", "-W", "3"
        )
        assert set(said.replace("Timed out\n", "").split()) == wanted, user


async def test_each_collector_has_a_connection_that_speaks_for_it(
    example: Example, store: FakeStore
) -> None:
    store.queue(message("dustcake/welding-1/state", Keep.LATEST, phase="idle"))
    async with link_running(settings_of(example), store, says("welding-1")) as daemon:
        await daemon.connected()
        await until(lambda: store.empty, "the state to be delivered")
    # The same with the other's user: refused, and said so.
    store.queue(message("dustcake/welding-1/state", Keep.LATEST, phase="forged"))
    other = settings_of(example, "welding-2")
    async with link_running(other, store, says("welding-2")) as daemon:
        await daemon.cause("the broker refuses a publication to dustcake/welding-1/state")
    said = await example.run_client(
        "mosquitto_sub", "viewer", "-t", "dustcake/welding-1/state", "-C", "1", "-W", "10"
    )
    assert "idle" in said


async def test_a_sparkplug_node_speaks_for_itself_alone(example: Example) -> None:
    node, host = "dustcake-sparkplug", "sparkplug-host"
    may = {
        (node, "spBv1.0/works/NBIRTH/dust"): True,
        (node, "spBv1.0/works/DDATA/dust/grinding-1"): True,
        (node, "spBv1.0/works/NBIRTH/another"): False,
        (node, "spBv1.0/works/DDATA/another/dust"): False,
        (node, "spBv1.0/other/NBIRTH/dust"): False,
        (node, "spBv1.0/STATE/control-room"): False,
        (node, "dustcake/welding-1/state"): False,
        (host, "spBv1.0/STATE/control-room"): True,
        (host, "spBv1.0/works/NCMD/dust"): True,
        (host, "spBv1.0/works/DCMD/dust/grinding-1"): True,
        (host, "spBv1.0/works/DDATA/dust/grinding-1"): False,
        ("viewer", "spBv1.0/works/NCMD/dust"): False,
        ("welding-1", "spBv1.0/works/NBIRTH/dust"): False,
    }
    found = {(user, topic): await example.may_publish(user, topic) for user, topic in may}
    assert found == may
    await example.may_publish(host, "spBv1.0/STATE/control-room", "-r")
    for user, heard in ((node, "x\n"), ("viewer", "")):
        said = await example.run_client(
            "mosquitto_sub", user, "-t", "spBv1.0/STATE/+", "-C", "1", "-W", "3"
        )
        assert said.replace("Timed out\n", "") == heard


async def test_without_a_password_or_encryption_nobody_gets_in(
    example: Example, store: FakeStore
) -> None:
    nameless = settings_of(example, username=None, password_file=None)
    async with link_running(nameless, store, says("welding-1")) as daemon:
        await daemon.cause("does not let user (none) in")
    plain = settings_of(example, tls=None)
    async with link_running(plain, store, says("welding-1")) as daemon:
        await daemon.cause("closed the connection before answering")
