"""Plant SCADA's side: the broker away and back, credentials, TLS, requests."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from system_support import settings
from system_support.broker import Broker, free_port, make_certificates, running, until
from system_support.device import Device, device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemon, Daemons

pytestmark = pytest.mark.broker

CLEAN = scenario(0.1)
MESSAGES = Path(__file__).parents[2] / "config" / "messages.json"
REQUEST = "dustcake/hall-1/request/adjust/line-2"
ALL = {"requests_enabled": True, "requests_adjust": True, "requests_per_minute": 600}
HOLDS = ("-V", "5", "-D", "publish", "message-expiry-interval", "20")


def plant_file(directory: Path, plant: Device, mqtt: settings.Table, **over: Any) -> Path:
    bus = settings.tcp_bus(plant.port)
    return settings.write(directory, bus, settings.collector(**over), mqtt=mqtt)


async def connected(daemon: Daemon) -> None:
    await until(lambda: bool(daemon.logged("broker connected")), "the broker to be reached")


async def test_a_broker_that_comes_late_and_goes_gets_every_event(
    tmp_path: Path, daemons: Daemons
) -> None:
    broker = Broker(tmp_path / "broker", persistent=True)
    over = {"cleaning": {"mode": "timed"}}
    async with running(broker), listener(broker, session="ledger"):
        pass  # from now on the broker keeps whatever is told
    async with device(CLEAN) as plant:
        daemon = await daemons.start(
            plant_file(tmp_path, plant, settings.mqtt(broker.port), **over)
        )
        await until(lambda: sum(plant.unit.pulses) >= 1, "a pulse, though there is no broker")
        (missed,) = daemon.logged("broker not reached")
        assert "refused the connection" in missed["cause"]
        assert "start the broker there" in missed["remedy"]
        status = (await daemon.status())["broker"]
        assert status["connected"] is False
        assert status["cause"] == missed["cause"]

        # One subscriber throughout: it connects again by itself, to the same session.
        async with running(broker), listener(broker, session="ledger") as sub:
            heard = Heard(sub)
            await until(lambda: bool(heard.events("pulse")), "what happened before")
            assert heard.gapless()[0]["seq"] == 1
            assert heard.events()[0]["event"] == "started"
            broker.kill()
            pulses = sum(plant.unit.pulses)
            await until(lambda: sum(plant.unit.pulses) >= pulses + 2, "pulses without a broker")
            assert len(daemon.logged("broker lost")) == 1
            told = len(heard.events("pulse"))
            await broker.start()
            await until(lambda: len(heard.events("pulse")) >= told + 2, "what happened meanwhile")
            # Some of that may be what the broker itself had kept.
            await until(lambda: bool(daemon.logged("broker back")), "the broker to be back", 70)
            assert heard.bodies("online")[-1]["online"] is True
            assert await daemon.terminate() == 0
            await until(lambda: bool(heard.events("stopped")), "the end")
            recorded = [event["event"] for event in heard.gapless()]
        published = json.loads(MESSAGES.read_text(encoding="utf-8"))
        for kind in ("event", "state", "alarm", "measurement", "online", "minute"):
            schema = {**published, "oneOf": [{"$ref": f"#/$defs/{kind}"}]}
            validator = jsonschema.Draft202012Validator(schema)
            for message in heard.messages:
                if message.topic.split("/")[2] == kind:
                    validator.validate(message.body)
        assert recorded.count("pulse") == sum(plant.unit.pulses)


async def test_a_wrong_password_is_told_once_in_words(tmp_path: Path, daemons: Daemons) -> None:
    password = tmp_path / "password"
    password.write_text("not-this-one\n")
    password.chmod(0o600)
    async with (
        running(Broker(tmp_path / "broker", users={"hall": "right"})) as broker,
        device(CLEAN) as plant,
    ):
        mqtt = settings.mqtt(broker.port, username="hall", password_file=str(password))
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await until(lambda: bool(daemon.logged("broker not reached")), "the refusal")
        (refused,) = daemon.logged("broker not reached")
        assert "does not let user hall in" in refused["cause"]
        assert "mqtt.password_file" in refused["remedy"]
        password.write_text("right\n")
        await connected(daemon)
        assert "not-this-one" not in daemon.log
        assert "right\n" not in daemon.log
        assert len(daemon.logged("broker not reached")) == 1


async def test_tls_with_the_right_and_a_wrong_authority(tmp_path: Path, daemons: Daemons) -> None:
    ours = make_certificates(tmp_path / "ours")
    others = make_certificates(tmp_path / "others", "another")
    async with (
        running(Broker(tmp_path / "broker", certificates=ours)) as broker,
        device(CLEAN) as plant,
    ):
        good = settings.mqtt(broker.tls_port, tls={"ca_file": str(ours.ca)})
        daemon = await daemons.start(plant_file(tmp_path, plant, good))
        await connected(daemon)
        assert await daemon.terminate() == 0

        bad = settings.mqtt(broker.tls_port, tls={"ca_file": str(others.ca)})
        daemon = await daemons.start(plant_file(tmp_path, plant, bad))
        await until(lambda: bool(daemon.logged("broker not reached")), "the refusal")
        (refused,) = daemon.logged("broker not reached")
        assert "certificate" in refused["cause"]
        assert "ca_file" in refused["remedy"]
        assert (await daemon.status())["quality"] == "good", "the collector is run all the same"
        assert await daemon.terminate() == 0

        unencrypted = settings.mqtt(broker.tls_port)
        daemon = await daemons.start(plant_file(tmp_path, plant, unencrypted))
        await until(lambda: bool(daemon.logged("broker not reached")), "the refusal")
        assert "TLS" in daemon.logged("broker not reached")[0]["remedy"]


async def test_mqtt_3_1_1(tmp_path: Path, broker: Broker, daemons: Daemons) -> None:
    async with device(CLEAN) as plant, listener(broker, version="3.1.1") as sub:
        heard = Heard(sub)
        mqtt = settings.mqtt(broker.port, version="3.1.1", **ALL)
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await connected(daemon)
        await until(lambda: bool(heard.bodies("measurement")), "a measurement")
        asked = {"id": "a1", "request": "mode", "mode": "off", "utc": datetime.now(UTC).isoformat()}
        await broker.publish(REQUEST, json.dumps(asked), "-q", "1")
        await until(lambda: bool(heard.bodies("reply/line-2")), "the reply")
        (reply,) = heard.bodies("reply/line-2")
        assert (reply["id"], reply["accepted"]) == ("a1", True)
        daemon.kill()
        await until(lambda: heard.bodies("online")[-1]["online"] is False, "the will")
        heard.gapless()


async def test_measurements_come_when_due_and_expire_when_the_daemon_is_dead(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        daemon = await daemons.start(plant_file(tmp_path, plant, settings.mqtt(broker.port)))
        async with broker.subscriber("dustcake/+/measurement", line_format="%E\t%p") as sub:
            await until(lambda: len(sub.lines) >= 3, "measurements")
            expiry_s, _, body = sub.lines[-1].partition("\t")
        assert 1 <= int(expiry_s) <= 2
        measurement = json.loads(body)
        assert measurement["dp"]["unit"] == "Pa"
        assert measurement["dp"]["quality"] == "good"
        assert measurement["dp"]["reasons"] == []
        assert measurement["blower_running"]["value"] is True
        assert measurement["header"] is None, "what is not fitted is null, not zero"
        assert await daemon.terminate() == 0


async def test_requests_are_answered_where_asked_and_a_repeated_one_acts_once(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant, listener(broker) as sub:
        heard = Heard(sub)
        mqtt = settings.mqtt(broker.port, **ALL)
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await connected(daemon)
        text = '{"id": "7f3a", "request": "mode", "mode": "timed", "by": "line 2 screen"}'
        async with broker.subscriber("my/replies", line_format="%D\t%p") as mine:
            asked = ["-D", "publish", "response-topic", "my/replies"]
            asked += ["-D", "publish", "correlation-data", "abc-1"]
            for _ in range(3):
                await broker.publish(REQUEST, text, "-q", "1", *HOLDS, *asked)
            await until(lambda: len(mine.lines) >= 3, "three replies")
            bodies = [json.loads(line.partition("\t")[2]) for line in mine.lines]
            assert all(body["accepted"] and body["id"] == "7f3a" for body in bodies)
            assert all(line.partition("\t")[0] == "abc-1" for line in mine.lines)
        await until(lambda: bool(heard.events("mode_selected")), "the event, after its commit")
        assert len(heard.events("mode_selected")) == 1
        selected = heard.events("mode_selected")[0]
        assert selected["mode"] == "timed"
        assert selected["by"] == "mqtt:line-2:line 2 screen"
        assert not heard.bodies("reply/line-2"), "nowhere but where it was asked for"
        assert (await daemon.status())["mode"] == "timed"


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"request": "zero"}, "the blower must be proved off"),
    ({"request": "acknowledge", "alarm": "high_dp"}, "does not wait for an acknowledgement"),
    ({"request": "acknowledge", "alarm": "no_such"}, "no alarm"),
    ({"request": "reset", "alarm": "high_dp"}, "is not latched"),
    ({"request": "unshelve", "alarm": "high_dp"}, "is not shelved"),
    ({"request": "in_service", "alarm": "high_dp"}, "is not out of service"),
    ({"request": "shelve", "alarm": "high_dp", "for_s": 60}, "say why"),
    ({"request": "out_of_service", "alarm": "high_dp", "by": "line 2"}, "say why"),
    ({"request": "filter_change", "valves": [9]}, "there are valves 1 to 4 only"),
    ({"request": "set_points", "high_pa": 5000}, "may be put from 750 Pa to"),
    ({"request": "confirm", "change": 1}, "no change 1 waits"),
    ({"request": "mode", "mode": "off", "utc": "2020-01-01T00:00:00Z"}, "and holds for 30 s"),
    ({"request": "record", "entry": "note", "by": "line 2"}, "write what is to be noted"),
    ({"request": "blower", "run": True}, "hand"),
    ({"request": "mode", "mode": "faster"}, "`mode` must be one of"),
    ({"request": "fire", "valve": 1}, "`request` must be one of"),
    ({"request": "mode", "mode": "off", "when": "now"}, "unknown field 'when'"),
]


async def test_what_is_refused_is_refused_with_its_reason(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant, listener(broker) as sub:
        heard = Heard(sub)
        mqtt = settings.mqtt(broker.port, **ALL)
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await connected(daemon)
        for n, (asked, reason) in enumerate(REFUSED):
            await broker.publish(REQUEST, json.dumps({"id": f"r{n}", **asked}), *HOLDS)
            await until(lambda n=n: len(heard.bodies("reply/line-2")) > n, f"a reply to {asked}")  # type: ignore[misc]
            reply = heard.bodies("reply/line-2")[n]
            assert reply["id"] == f"r{n}"
            assert reply["accepted"] is False
            assert reason in reply["reason"]
        assert sum(plant.unit.pulses) == 0


async def test_requests_are_off_unless_enabled_and_never_taken_from_what_is_retained(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    text = '{"id": "x", "request": "mode", "mode": "timed"}'
    async with device(CLEAN) as plant:
        daemon = await daemons.start(plant_file(tmp_path, plant, settings.mqtt(broker.port)))
        await connected(daemon)
        await broker.publish(REQUEST, text, *HOLDS)
        async with listener(broker) as sub:
            # The broker keeps order: a later measurement shows that the request is past.
            heard = Heard(sub)
            await until(lambda: len(heard.bodies("measurement")) >= 2, "time to pass")
            assert not heard.bodies("reply/line-2")
        assert (await daemon.status())["mode"] == "on_demand"
        assert await daemon.terminate() == 0

        await broker.publish(REQUEST, text, "-r", *HOLDS)
        enabled = settings.mqtt(broker.port, **ALL)
        async with listener(broker) as sub:
            heard = Heard(sub)
            daemon = await daemons.start(plant_file(tmp_path, plant, enabled))
            await until(lambda: bool(heard.bodies("reply/line-2")), "the refusal")
            assert heard.bodies("reply/line-2")[0]["reason_code"] == "retained"
        assert (await daemon.status())["mode"] == "on_demand"


async def test_any_bytes_as_a_request_are_answered_and_move_nothing(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    from aiomqtt import Client

    async with device(CLEAN) as plant:
        mqtt = settings.mqtt(broker.port, **ALL)
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await connected(daemon)
        samples = gathered(st.binary(max_size=64) | junk_requests(), count=60)
        async with Client("127.0.0.1", broker.port) as client:
            await client.subscribe("dustcake/hall-1/reply/line-2")
            replies = []
            for sample in samples:
                await client.publish(REQUEST, sample, qos=1)
                replies.append(json.loads(bytes((await anext(client.messages)).payload)))
        assert len(replies) == len(samples)
        assert not any(reply["accepted"] for reply in replies)
        assert all(reply["reason"] for reply in replies)
        assert (await daemon.status())["mode"] == "on_demand"
        assert sum(plant.unit.pulses) == 0


def junk_requests() -> st.SearchStrategy[bytes]:
    """JSON objects that look like requests, but never quite are."""
    texts = st.sampled_from(["mode", "zero", "blower", "id", "request", "run", "", "\u2028", "é"])
    values = st.none() | st.booleans() | st.integers() | texts | st.lists(texts, max_size=2)
    return st.dictionaries(texts, values, max_size=4).map(
        lambda table: json.dumps({**table, "unasked": 1}).encode()
    )


def gathered(strategy: st.SearchStrategy[bytes], count: int) -> list[bytes]:
    """``count`` examples, the same in every run, for code that cannot run inside Hypothesis."""
    found: list[bytes] = []

    @examples(count)
    @given(strategy)
    def gather(sample: bytes) -> None:
        found.append(sample)

    gather()
    return found


async def test_a_broker_that_is_not_there_costs_the_collector_nothing(
    tmp_path: Path, daemons: Daemons
) -> None:
    """Polls keep their pace although every attempt to connect fails."""
    async with device(CLEAN) as plant:
        mqtt = settings.mqtt(free_port())
        file = plant_file(tmp_path, plant, mqtt, poll_s=1.0, stale_after_s=5.0)
        daemon = await daemons.start(file)
        requests = plant.server.exchange.requests
        await until(lambda: plant.server.exchange.requests >= requests + 16, "eight polls", 40)
        # A busy test machine may miss one by itself.
        assert (await daemon.status())["missed_polls"] <= 1


@pytest.mark.parametrize(
    "root",
    [
        "dustcake",
        "plate-shop/dust",
    ],
)
async def test_no_requester_can_have_the_daemon_overwrite_its_own_topics(
    tmp_path: Path, broker: Broker, daemons: Daemons, root: str
) -> None:
    async with device(CLEAN) as plant:
        mqtt = settings.mqtt(broker.port, root=root, **ALL)
        daemon = await daemons.start(plant_file(tmp_path, plant, mqtt))
        await connected(daemon)
        state, request = f"{root}/hall-1/state", f"{root}/hall-1/request/acknowledge/kim"
        async with broker.subscriber(state, "elsewhere") as sub:
            for n, topic in enumerate((state, "elsewhere")):
                text = json.dumps({"id": f"f{n}", "request": "acknowledge", "alarm": "smoke"})
                answer_at = ("-D", "publish", "response-topic", topic)
                await broker.publish(request, text, "-q", "1", *HOLDS, *answer_at)
            await until(lambda: any('"f1"' in line for line in sub.lines), "the second reply")
            assert not any('"f0"' in line for line in sub.lines)
