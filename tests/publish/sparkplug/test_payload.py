"""Payloads against Google's library, and whatever else may come in."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.publish.sparkplug.payload import (
    DataType,
    Metric,
    Payload,
    PayloadError,
    Property,
    Value,
    bytes_field,
    decode,
    encode,
    varint,
    varint_field,
)
from publish.sparkplug.independent import Payload as Independent
from publish.sparkplug.independent import parsed, value_of

U64 = st.integers(0, 2**64 - 1)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


def typed(datatype: DataType) -> st.SearchStrategy[tuple[DataType, Value]]:
    values: st.SearchStrategy[Value]
    match datatype:
        case DataType.INT32 | DataType.INT64:
            bits = 31 if datatype is DataType.INT32 else 63
            values = st.integers(-(2**bits), 2**bits - 1)
        case DataType.UINT32 | DataType.UINT64:
            values = st.integers(0, 2**32 - 1 if datatype is DataType.UINT32 else 2**64 - 1)
        case DataType.FLOAT:
            values = st.floats(width=32, allow_nan=False)
        case DataType.DOUBLE:
            values = st.floats(allow_nan=False)
        case DataType.BOOLEAN:
            values = st.booleans()
        case DataType.STRING:
            values = TEXTS
    return values.map(lambda value: (datatype, value))


TYPED = st.sampled_from(list(DataType)).flatmap(typed)


@st.composite
def metrics(draw: st.DrawFn) -> Metric:
    datatype, value = draw(TYPED)
    properties = tuple(Property(draw(TEXTS), *draw(TYPED)) for _ in range(draw(st.integers(0, 2))))
    return Metric(
        name=draw(st.none() | TEXTS),
        alias=draw(st.none() | U64),
        timestamp_ms=draw(st.none() | U64),
        datatype=datatype,
        value=draw(st.sampled_from([value, None])),
        is_historical=draw(st.booleans()),
        properties=properties,
    )


PAYLOADS = st.builds(
    Payload,
    st.none() | U64,
    st.lists(metrics(), max_size=4).map(tuple),
    st.none() | st.integers(0, 255),
)


@given(PAYLOADS)
def test_what_is_written_is_read_by_both(payload: Payload) -> None:
    data = encode(payload)
    assert decode(data) == payload
    theirs = parsed(data)
    assert len(theirs.metrics) == len(payload.metrics)
    for ours, metric in zip(payload.metrics, theirs.metrics, strict=True):
        assert (metric.name, metric.alias) == (ours.name or "", ours.alias or 0)
        assert metric.is_null is (ours.value is None)
        got = value_of(metric)
        if isinstance(ours.value, int) and ours.value < 0:
            bits = 32 if ours.datatype is DataType.INT32 else 64
            assert got - 2**bits == ours.value
        else:
            assert got == ours.value
        assert list(metric.properties.keys) == [each.key for each in ours.properties]


# Worked by hand from the encoding's description: key = field number * 8 + wire type.
@pytest.mark.parametrize(
    ("payload", "data"),
    [
        (Payload(None, ()), ""),
        (Payload(1, (), 0), "0801 1800"),
        (Payload(300, (), 255), "08ac02 18ff01"),
        (
            Payload(None, (Metric("bdSeq", None, None, DataType.INT64, 7),)),
            "120b 0a05 6264536571 2004 5807",
        ),
        (
            Payload(None, (Metric(None, 2, None, DataType.DOUBLE, 1.0, tells_type=False),)),
            "120b 1002 69 000000000000f03f",
        ),
        (
            Payload(None, (Metric(None, 2, None, DataType.BOOLEAN, None, tells_type=False),)),
            "1204 1002 3801",
        ),
    ],
)
def test_examples_worked_by_hand(payload: Payload, data: str) -> None:
    assert encode(payload) == bytes.fromhex(data)


@pytest.mark.parametrize(
    ("number", "data"),
    [(0, "00"), (127, "7f"), (128, "8001"), (300, "ac02"), (2**64 - 1, "ff" * 9 + "01")],
)
def test_varints(number: int, data: str) -> None:
    assert varint(number) == bytes.fromhex(data)


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        ("08", "cut off in the middle of a number"),
        ("0880", "cut off in the middle of a number"),
        ("08" + "ff" * 10, "more than 10 bytes"),
        ("08" + "ff" * 9 + "7f", "more than 64 bits"),
        ("12 05 00", "cut off in the middle of a field"),
        ("0b", "wire type 3"),
        ("00 00", "number 0"),
        ("0a 01 00", "field 1 is no number"),
        ("10 01", "field 2 has no length"),
        ("12 03 0a 01 ff", "field 1 is not UTF-8"),
        ("12 02 20 63", "no data type 99"),
        ("12 02 20 00", "no data type 0"),
        ("12 03 62 01 00", "field 12 is no floating-point number"),
        ("12 04 4a 02 0a 00", "1 names for 0 properties"),
    ],
)
def test_what_is_no_payload_is_told(data: str, problem: str) -> None:
    with pytest.raises(PayloadError, match=problem):
        decode(bytes.fromhex(data))


@given(st.binary(max_size=60))
def test_any_bytes_are_a_payload_or_told_to_be_none(data: bytes) -> None:
    problem = "none"
    try:
        decode(data)
    except PayloadError as error:
        problem = str(error)
    assert problem


@given(PAYLOADS, st.data())
def test_spoiled_payloads_are_read_or_told(payload: Payload, data: st.DataObject) -> None:
    sound = bytearray(encode(payload))
    if sound:
        at = data.draw(st.integers(0, len(sound) - 1))
        sound[at] = data.draw(st.integers(0, 255))
    problem = "none"
    try:
        decode(bytes(sound))
    except PayloadError as error:
        problem = str(error)
    assert problem


def test_what_is_not_used_here_is_passed_over() -> None:
    theirs = Independent(uuid="x", body=b"y", seq=4)
    metric = theirs.metrics.add(name="file", datatype=18, is_transient=True, bytes_value=b"z")
    metric.properties.keys.extend(["nothing", "set", "Quality"])
    metric.properties.values.add(type=3, is_null=True)
    metric.properties.values.add(type=20, string_value="not one of ours")
    metric.properties.values.add(type=3, int_value=500)
    (read,) = decode(theirs.SerializeToString()).metrics
    assert read == Metric(
        "file", None, None, 18, None, properties=(Property("Quality", DataType.INT32, 500),)
    )


def test_a_value_that_is_null_has_none_whatever_else_it_says() -> None:
    theirs = Independent()
    theirs.metrics.add(name="dP", is_null=True, double_value=3.0)
    (read,) = decode(theirs.SerializeToString()).metrics
    assert read.value is None
    theirs = Independent()
    theirs.metrics.add(name="dP", is_null=False, double_value=3.0)
    (read,) = decode(theirs.SerializeToString()).metrics
    assert read.value == 3.0


def test_fields_of_later_versions_are_passed_over() -> None:
    later = varint_field(9, 1) + bytes_field(8, b"later")
    properties = bytes_field(9, bytes_field(15, b""))
    assert decode(later + bytes_field(2, properties)).metrics == (
        Metric(None, None, None, None, None, tells_type=False),
    )


def test_a_payload_with_more_metrics_than_are_wanted_is_refused() -> None:
    metric = bytes_field(2, b"")
    with pytest.raises(PayloadError, match="more than 1 metrics"):
        decode(metric + metric, most_metrics=1)
