"""Assertions of Sparkplug 3.0.0 on the STATE of the primary host application, as it is heard."""

import json

import pytest

from dustcake.publish.sparkplug.edge_node import PrimaryHost
from publish.sparkplug.covering import covers


def ready(host: PrimaryHost) -> bool:
    """Asked anew each time, which a type checker does not expect of a property."""
    return host.is_ready


def state(online: object, timestamp: object) -> bytes:
    return json.dumps({"online": online, "timestamp": timestamp}).encode()


@covers("host-topic-phid-birth-topic", "host-topic-phid-death-topic")
def test_where_it_says_so(assertion: str) -> None:
    assert PrimaryHost("control room").topic == "spBv1.0/STATE/control room"


@covers(
    "host-topic-phid-birth-payload",
    "host-topic-phid-death-payload",
    "message-flow-edge-node-birth-publish-phid-wait-online",
)
def test_it_is_there_when_it_says_online(assertion: str) -> None:
    host = PrimaryHost("control room")
    assert not ready(host)
    assert host.heard(state(True, 1000)) == "online"
    assert ready(host)
    assert host.heard(state(False, 1000)) == "offline"
    assert not ready(host)


@covers(
    "message-flow-edge-node-birth-publish-phid-wait-timestamp",
    "operational-behavior-edge-node-termination-host-offline-timestamp",
)
def test_what_was_said_earlier_does_not_count(assertion: str) -> None:
    host = PrimaryHost("control room")
    assert host.heard(state(True, 1000)) == "online"
    assert host.heard(state(False, 999)) == "older"
    assert ready(host)
    host.connected()
    assert not ready(host), "in a new session it must say so anew"
    assert host.heard(state(True, 999)) == "older"
    assert not ready(host)
    assert host.heard(state(True, 1000)) == "online"
    assert ready(host)


def test_without_one_nobody_is_waited_for() -> None:
    host = PrimaryHost(None)
    assert host.topic is None
    host.connected()
    assert ready(host)


@pytest.mark.parametrize(
    "payload",
    [
        b"ONLINE",
        b"\xff",
        b"[]",
        b"{}",
        b"[" * 100_000,
        state("true", 1000),
        state(1, 1000),
        state(True, "1000"),
        state(True, 10.5),
        state(True, True),
        state(True, None),
    ],
)
def test_anything_else_is_not_understood(payload: bytes) -> None:
    host = PrimaryHost("control room")
    assert host.heard(payload) == "not understood"
    assert not ready(host)
