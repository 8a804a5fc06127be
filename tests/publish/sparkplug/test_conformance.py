"""Assertions of Sparkplug 3.0.0 on the messages of an edge node, read by an independent decoder."""

from collections.abc import Callable

import pytest

from publish.sparkplug.covering import covers
from publish.sparkplug.host import GROUP, NODE, Message, Session, received
from publish.sparkplug.independent import quality_of, value_of

DEVICE = "bay 3"


@pytest.fixture
def session() -> Session:
    """Two devices, born and seen to change, the first lost in the end."""
    session = Session(DEVICE, "bay 4")
    session.see()
    session.see(device="bay 4")
    session.be_born()
    session.see(600.0)
    session.tell()
    session.node.observe_node((), session.utc_s)
    session.see(None, there=False)
    session.tell()
    return session


def first(session: Session, kind: str) -> Message:
    """The first message of this kind."""
    if kind == "NDEATH":
        assert session.will is not None
        return received(session.will)
    return next(message for message in session.host.messages if message.kind == kind)


def ndata() -> Message:
    """An NDATA: values were given up while nobody listened, and their count is the node's."""
    session = Session(capacity=10)
    session.see()
    session.be_born()
    for number in range(30):
        session.see(float(number))
    return next(each for each in session.tell() if each.kind == "NDATA")


@covers(
    "topic-structure",
    "topic-structure-namespace-a",
    "topics-nbirth-topic",
    "topics-ndata-topic",
    "topics-ndeath-topic",
    "topics-dbirth-topic",
    "topics-ddata-topic",
    "topics-ddeath-topic",
    "message-flow-edge-node-birth-publish-nbirth-topic",
    "message-flow-edge-node-birth-publish-will-message-topic",
    "message-flow-device-birth-publish-dbirth-topic",
    "message-flow-device-birth-publish-dbirth-match-edge-node-topic",
    "topic-structure-namespace-device-id-associated-message-types",
    "topic-structure-namespace-device-id-non-associated-message-types",
)
def test_topics(session: Session, assertion: str) -> None:
    for kind in ("NBIRTH", "NDEATH"):
        assert first(session, kind).topic == f"spBv1.0/{GROUP}/{kind}/{NODE}"
    for kind in ("DBIRTH", "DDATA", "DDEATH"):
        assert first(session, kind).topic == f"spBv1.0/{GROUP}/{kind}/{NODE}/{DEVICE}"
    assert ndata().topic == f"spBv1.0/{GROUP}/NDATA/{NODE}"


@covers(
    "topics-nbirth-mqtt",
    "topics-ndata-mqtt",
    "topics-dbirth-mqtt",
    "topics-ddata-mqtt",
    "topics-ddeath-mqtt",
    "payloads-nbirth-qos",
    "payloads-nbirth-retain",
    "payloads-dbirth-qos",
    "payloads-dbirth-retain",
    "payloads-ndata-qos",
    "payloads-ndata-retain",
    "payloads-ddata-qos",
    "payloads-ddata-retain",
    "message-flow-edge-node-birth-publish-nbirth-qos",
    "message-flow-edge-node-birth-publish-nbirth-retained",
    "message-flow-device-birth-publish-dbirth-qos",
    "message-flow-device-birth-publish-dbirth-retained",
)
def test_qos_0_and_never_retained(session: Session, assertion: str) -> None:
    messages = [*session.host.messages, ndata()]
    assert {m.kind for m in messages} == {"NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDEATH"}
    assert all((m.qos, m.retain) == (0, False) for m in messages)


@covers(
    "message-flow-edge-node-birth-publish-will-message",
    "message-flow-edge-node-birth-publish-will-message-payload",
    "message-flow-edge-node-birth-publish-will-message-qos",
    "message-flow-edge-node-birth-publish-will-message-will-retained",
    "topics-ndeath-payload",
    "topics-ndeath-seq",
    "payloads-ndeath-bdseq",
    "payloads-ndeath-seq",
    "payloads-ndeath-will-message",
    "payloads-ndeath-will-message-qos",
    "payloads-ndeath-will-message-retain",
    "payloads-sequence-num-always-included",
)
def test_the_will_says_the_birth_number_and_nothing_else(session: Session, assertion: str) -> None:
    will = first(session, "NDEATH")
    assert (will.qos, will.retain) == (1, False)
    assert not will.payload.HasField("seq")
    (metric,) = will.payload.metrics
    assert (metric.name, metric.datatype, value_of(metric)) == ("bdSeq", 4, 0)
    assert all(message.payload.HasField("seq") for message in session.host.messages)


@covers(
    "topics-nbirth-bdseq-included",
    "topics-nbirth-bdseq-matching",
    "topics-nbirth-bdseq-increment",
    "payloads-nbirth-bdseq",
)
def test_birth_numbers_go_with_the_will_and_count_the_connections(assertion: str) -> None:
    session = Session()
    session.see()
    for number in [*range(256), 0, 1]:
        session.be_born()
        assert session.will is not None
        (metric,) = received(session.will).payload.metrics
        assert value_of(metric) == session.host.bd_seq == number
        session.node.will()
        session.node.disconnected(session.at_s)


@covers(
    "payloads-nbirth-bdseq-repeat",
    "operational-behavior-data-commands-rebirth-action-2",
    "operational-behavior-data-commands-rebirth-action-3",
)
def test_a_rebirth_repeats_every_birth_under_the_same_number(
    session: Session, assertion: str
) -> None:
    session.see(there=True)
    session.tell()
    again = session.births()
    assert [(m.kind, m.device) for m in again[:3]] == [
        ("NBIRTH", None),
        ("DBIRTH", DEVICE),
        ("DBIRTH", "bay 4"),
    ]
    assert session.host.bd_seq == 0


@covers(
    "topics-nbirth-seq-num",
    "payloads-nbirth-seq",
    "payloads-sequence-num-zero-nbirth",
    "message-flow-edge-node-birth-publish-nbirth-payload-seq",
)
def test_a_birth_of_the_node_has_the_number_0(session: Session, assertion: str) -> None:
    assert first(session, "NBIRTH").payload.seq == 0
    assert session.births()[0].payload.seq == 0


@covers(
    "payloads-sequence-num-incrementing",
    "topics-dbirth-seq",
    "topics-ndata-seq-num",
    "topics-ddata-seq-num",
    "topics-ddeath-seq-num",
    "payloads-dbirth-seq",
    "payloads-dbirth-seq-inc",
    "payloads-ndata-seq",
    "payloads-ndata-seq-inc",
    "payloads-ddata-seq",
    "payloads-ddata-seq-inc",
    "payloads-ddeath-seq",
    "payloads-ddeath-seq-inc",
    "payloads-ddeath-seq-number",
    "message-flow-device-birth-publish-dbirth-payload-seq",
)
def test_numbers_count_on_through_every_kind_and_around_256(assertion: str) -> None:
    session = Session(capacity=20)
    session.see()
    session.be_born()
    for turn in range(100):
        session.see(float(turn))
        if turn == 50:
            for extra in range(40):
                session.see(float(extra))
        session.tell()
        session.see(None, there=False)
        session.tell()
        session.see(0.5)
        session.tell()
    messages = session.host.messages
    assert {m.kind for m in messages} == {"NBIRTH", "DBIRTH", "DDATA", "DDEATH", "NDATA"}
    assert [m.payload.seq for m in messages] == [i % 256 for i in range(len(messages))]
    assert len(messages) > 256


@covers(
    "topics-nbirth-timestamp",
    "topics-ndata-timestamp",
    "topics-dbirth-timestamp",
    "topics-ddata-timestamp",
    "payloads-nbirth-timestamp",
    "payloads-dbirth-timestamp",
    "payloads-ndata-timestamp",
    "payloads-ddata-timestamp",
    "payloads-ddeath-timestamp",
    "payloads-name-birth-data-requirement",
)
def test_every_message_and_every_metric_has_its_time(session: Session, assertion: str) -> None:
    for message in [*session.host.messages, ndata()]:
        assert message.payload.HasField("timestamp")
        assert all(metric.HasField("timestamp") for metric in message.payload.metrics)
    sent_ms = [message.payload.timestamp for message in session.host.messages]
    assert sent_ms == sorted(sent_ms)
    assert sent_ms[-1] == round(session.utc_s * 1000)
    dp = next(m for m in first(session, "DDATA").payload.metrics if value_of(m) == 600.0)
    assert dp.timestamp == 1_800_000_003_000


@covers(
    "topics-nbirth-metrics",
    "topics-dbirth-metrics",
    "topics-nbirth-metric-reqs",
    "topics-dbirth-metric-reqs",
    "operational-behavior-data-publish-nbirth",
    "operational-behavior-data-publish-dbirth",
    "message-flow-edge-node-birth-publish-nbirth-payload",
    "message-flow-device-birth-publish-dbirth-payload",
    "payloads-metric-datatype-req",
    "payloads-metric-datatype-value",
    "payloads-metric-datatype-value-type",
    "payloads-name-requirement",
    "payloads-alias-birth-requirement",
)
def test_births_name_everything_with_its_type(session: Session, assertion: str) -> None:
    for kind in ("NBIRTH", "DBIRTH"):
        for metric in first(session, kind).payload.metrics:
            assert metric.name
            assert metric.datatype in range(1, 35)
            assert metric.HasField("alias") is (metric.name != "Node Control/Rebirth")
    named = {metric.alias for metric in first(session, "DBIRTH").payload.metrics}
    told = [m for m in session.host.messages if m.kind == "DDATA" and m.device == DEVICE]
    assert {metric.alias for m in told for metric in m.payload.metrics} <= named


@covers("payloads-alias-uniqueness")
def test_no_alias_twice_in_one_node(session: Session, assertion: str) -> None:
    births = [m for m in session.host.messages if m.kind.endswith("BIRTH")]
    aliases = [x.alias for m in births for x in m.payload.metrics if x.HasField("alias")]
    assert len(births) == 3
    assert len(set(aliases)) == len(aliases) == 6


@covers(
    "payloads-alias-data-cmd-requirement",
    "payloads-metric-datatype-not-req",
)
def test_data_have_the_alias_alone(session: Session, assertion: str) -> None:
    for message in (first(session, "DDATA"), ndata()):
        for metric in message.payload.metrics:
            assert metric.HasField("alias")
            assert not metric.HasField("name")
            assert not metric.HasField("datatype")


@covers(
    "topics-nbirth-rebirth-metric",
    "payloads-nbirth-rebirth-req",
    "operational-behavior-data-commands-rebirth-name",
    "operational-behavior-data-commands-rebirth-name-aliases",
    "operational-behavior-data-commands-rebirth-datatype",
    "operational-behavior-data-commands-rebirth-value",
)
def test_the_birth_offers_a_rebirth(session: Session, assertion: str) -> None:
    metrics = first(session, "NBIRTH").payload.metrics
    (offered,) = [metric for metric in metrics if metric.name == "Node Control/Rebirth"]
    assert not offered.HasField("alias")
    assert offered.datatype == 11
    assert value_of(offered) is False


@covers(
    "operational-behavior-data-publish-nbirth-values",
    "operational-behavior-data-publish-dbirth-values",
)
@pytest.mark.parametrize("value", [512.5, None])
def test_births_say_what_is_now(value: float | None, assertion: str) -> None:
    session = Session()
    session.see(500.0, deadband=100.0)
    session.see(value, deadband=100.0)  # within the deadband, but a birth is exact all the same
    session.be_born()
    metrics = {m.name: m for m in first(session, "DBIRTH").payload.metrics}
    assert value_of(metrics["dP"]) == value
    assert metrics["dP"].is_null is (value is None)
    assert metrics["dP"].timestamp == round(session.utc_s * 1000)


@covers(
    "principles-rbe-recommended",
    "operational-behavior-data-publish-nbirth-change",
    "operational-behavior-data-publish-dbirth-change",
    "topics-ndata-payload",
    "topics-ddata-payload",
)
def test_only_what_has_changed_is_told(assertion: str) -> None:
    session = Session()
    session.see(500.0)
    session.be_born()
    session.see(500.0)
    session.node.observe_node((), session.utc_s)
    assert session.tell() == []
    session.see(501.0)
    (message,) = session.tell()
    (metric,) = message.payload.metrics
    assert (message.kind, value_of(metric)) == ("DDATA", 501.0)
    assert session.tell() == []
    assert [value_of(m) for m in ndata().payload.metrics] != []


@covers(
    "operational-behavior-data-publish-nbirth-order",
    "operational-behavior-data-publish-dbirth-order",
    "payloads-ndata-order",
    "payloads-ddata-order",
    "payloads-dbirth-order",
)
def test_present_values_come_in_the_order_of_their_times_after_the_births(assertion: str) -> None:
    session = Session(DEVICE, "bay 4")
    session.see()
    session.see(device="bay 4")
    heard = session.be_born()
    assert [message.kind for message in heard] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    for number in range(250):
        session.see(float(number), mode_is=str(number))
    data = [m for m in session.tell() if m.kind == "DDATA"]
    assert len(data) == 5
    times = [metric.timestamp for m in data for metric in m.payload.metrics]
    assert times == sorted(times)
    assert len(times) == 500


@covers(
    "principles-birth-certificates-order",
    "message-flow-device-birth-publish-nbirth-wait",
)
def test_the_birth_of_the_node_comes_first(session: Session, assertion: str) -> None:
    kinds = [message.kind for message in session.host.messages]
    assert kinds[0] == "NBIRTH"
    assert kinds.index("DBIRTH") < kinds.index("DDATA")


@covers("operational-behavior-device-ddeath")
def test_a_lost_transmitter_is_the_death_of_its_device(session: Session, assertion: str) -> None:
    assert session.host.messages[-1].kind == "DDEATH"
    assert session.host.messages[-1].device == DEVICE
    assert session.host.devices[DEVICE].online is False
    assert session.host.devices["bay 4"].online is True
    session.see(777.0, there=False)
    assert session.tell() == [], "nothing is told of a device that is dead"
    session.see(640.0)
    (birth,) = session.tell()
    assert (birth.kind, birth.device) == ("DBIRTH", DEVICE)
    assert session.host.devices[DEVICE].values["dP"] == 640.0


@covers(
    "payloads-propertyset-quality-value-type",
    "payloads-propertyset-quality-value-value",
    "payloads-propertyset-keys-array-size",
    "payloads-propertyset-values-array-size",
    "payloads-metric-propertyvalue-type-req",
    "payloads-metric-propertyvalue-type-type",
    "payloads-metric-propertyvalue-type-value",
)
def test_quality_travels_with_every_value(session: Session, assertion: str) -> None:
    for message in session.host.messages:
        for metric in message.payload.metrics:
            assert len(metric.properties.keys) == len(metric.properties.values)
            assert all(value.type in (3, 12) for value in metric.properties.values)
            assert quality_of(metric) in (0, 192, 500)
    lost = [m for m in session.host.messages if m.kind == "DDATA"][-1].payload.metrics[0]
    assert (value_of(lost), quality_of(lost)) == (None, 0)


@covers("case-sensitivity-metric-names")
def test_no_two_metrics_differ_in_capitals_only(
    session: Session, assertion: str, device_names: Callable[[], list[str]]
) -> None:
    node_names = [metric.name for metric in first(session, "NBIRTH").payload.metrics]
    for names in (node_names, device_names()):
        folded = [name.lower() for name in names]
        assert len(set(folded)) == len(folded) > 2


@covers(
    "payloads-ndeath-will-message-publisher",
    "payloads-ndeath-will-message-publisher-disconnect-mqtt50",
    "payloads-ndeath-will-message-publisher-disconnect-mqtt311",
)
def test_the_death_published_in_an_orderly_end_is_that_of_the_will(
    session: Session, assertion: str
) -> None:
    session.node.will()  # asked for beforehand by the next attempt; changes nothing
    death = received(session.node.death())
    assert death == first(session, "NDEATH")
    session.host.takes(session.node.death())
    assert not session.host.node.online
    assert not any(seen.online for seen in session.host.devices.values())
