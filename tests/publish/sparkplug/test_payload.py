"""Payloads against Google's library, and whatever else may come in."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.publish.sparkplug.payload import (
    DataType,
    PayloadError,
    Value,
    Written,
    decode,
    field,
    metric,
    payload,
    varint,
)
from publish.sparkplug.independent import Payload as Independent
from publish.sparkplug.independent import command, parsed, value_of

U64 = st.integers(0, 2**64 - 1)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
MOST = 8


def typed(datatype: DataType) -> st.SearchStrategy[tuple[DataType, Value]]:
    values: st.SearchStrategy[Value]
    match datatype:
        case DataType.INT32 | DataType.INT64:
            bits = 31 if datatype is DataType.INT32 else 63
            values = st.integers(-(2**bits), 2**bits - 1)
        case DataType.DOUBLE:
            values = st.floats(allow_nan=False)
        case DataType.BOOLEAN:
            values = st.booleans()
        case DataType.STRING:
            values = TEXTS
    return values.map(lambda value: (datatype, value))


TYPED = st.sampled_from(list(DataType)).flatmap(typed)


@st.composite
def metrics(draw: st.DrawFn) -> dict[str, Any]:
    datatype, value = draw(TYPED)
    return {
        "datatype": datatype,
        "value": draw(st.sampled_from([value, None])),
        "name": draw(st.none() | TEXTS),
        "alias": draw(st.none() | U64),
        "timestamp_ms": draw(st.none() | U64),
        "has_type": draw(st.booleans()),
        "is_historical": draw(st.booleans()),
        "properties": [(draw(TEXTS), *draw(TYPED)) for _ in range(draw(st.integers(0, 2)))],
    }


LISTED = st.lists(metrics(), max_size=4)


def same(datatype: DataType, value: Value | None, got: Any) -> bool:
    """Whether ``got`` on the wire is ``value``: negative numbers are their two's complement."""
    if isinstance(value, int) and value < 0:
        return bool(got - 2 ** (32 if datatype is DataType.INT32 else 64) == value)
    return bool(got == value)


@given(st.none() | U64, LISTED, st.none() | st.integers(0, 255))
def test_what_is_written_is_read_by_another(
    timestamp_ms: int | None, listed: list[dict[str, Any]], seq: int | None
) -> None:
    theirs = parsed(payload(timestamp_ms, [metric(**each) for each in listed], seq))
    for number, name in ((timestamp_ms, "timestamp"), (seq, "seq")):
        assert theirs.HasField(name) is (number is not None)
        assert getattr(theirs, name) == (number or 0)
    assert len(theirs.metrics) == len(listed)
    for ours, got in zip(listed, theirs.metrics, strict=True):
        assert (got.name, got.alias) == (ours["name"] or "", ours["alias"] or 0)
        assert got.timestamp == (ours["timestamp_ms"] or 0)
        assert got.datatype == (ours["datatype"] if ours["has_type"] else 0)
        assert got.is_null is (ours["value"] is None)
        assert got.is_historical is ours["is_historical"]
        assert same(ours["datatype"], ours["value"], value_of(got))
        said = zip(got.properties.keys, got.properties.values, strict=True)
        for (key, datatype, value), (their_key, their) in zip(
            ours["properties"], said, strict=True
        ):
            assert (their_key, their.type) == (key, datatype)
            assert same(datatype, value, value_of(their))


@given(st.none() | U64, LISTED)
def test_texts_and_flags_are_read_again(
    timestamp_ms: int | None, listed: list[dict[str, Any]]
) -> None:
    sent_ms, written = decode(payload(timestamp_ms, [metric(**each) for each in listed]), MOST)
    assert sent_ms == timestamp_ms
    assert written == [
        Written(
            each["name"],
            each["alias"],
            each["value"] if isinstance(each["value"], bool | str) else None,
        )
        for each in listed
    ]


# Worked by hand from the encoding's description: key = field number * 8 + wire type.
@pytest.mark.parametrize(
    ("made", "data"),
    [
        (payload(None, ()), ""),
        (payload(1, (), 0), "0801 1800"),
        (payload(300, (), 255), "08ac02 18ff01"),
        (
            payload(None, [metric(DataType.INT64, 7, name="bdSeq")]),
            "120b 0a05 6264536571 2004 5807",
        ),
        (
            payload(None, [metric(DataType.DOUBLE, 1.0, alias=2, has_type=False)]),
            "120b 1002 69 000000000000f03f",
        ),
        (
            payload(None, [metric(DataType.BOOLEAN, None, alias=2, has_type=False)]),
            "1204 1002 3801",
        ),
    ],
)
def test_examples_worked_by_hand(made: bytes, data: str) -> None:
    assert made == bytes.fromhex(data)


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
        ("12 04 71 00 00", "cut off in the middle of a field"),
        ("12 03 72 01 00", "field 14 is no number"),
        ("12 02 78 01", "field 15 has no length"),
    ],
)
def test_what_is_no_payload_is_told(data: str, problem: str) -> None:
    with pytest.raises(PayloadError, match=problem):
        decode(bytes.fromhex(data), MOST)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_payload_or_told_to_be_none(data: bytes) -> None:
    problem = "none"
    try:
        decode(data, MOST)
    except PayloadError as error:
        problem = str(error)
    assert problem


@given(LISTED, st.data())
def test_spoiled_payloads_are_read_or_told(
    listed: list[dict[str, Any]], data: st.DataObject
) -> None:
    sound = bytearray(payload(7, [metric(**each) for each in listed]))
    if sound:
        at = data.draw(st.integers(0, len(sound) - 1))
        sound[at] = data.draw(st.integers(0, 255))
    problem = "none"
    try:
        decode(bytes(sound), MOST)
    except PayloadError as error:
        problem = str(error)
    assert problem


def test_what_is_not_used_here_is_passed_over() -> None:
    theirs = Independent(uuid="x", body=b"y", seq=4)
    theirs.metrics.add(name="file", datatype=18, is_transient=True, bytes_value=b"z")
    theirs.metrics[0].properties.keys.append("Quality")
    theirs.metrics[0].properties.values.add(type=3, int_value=500)
    theirs.metrics.add(alias=3, float_value=1.5)
    assert decode(theirs.SerializeToString(), MOST) == (
        None,
        [Written("file", None, None), Written(None, 3, None)],
    )


@pytest.mark.parametrize("value", [True, False, "text", ""])
def test_a_value_that_is_null_has_none_whatever_else_it_says(value: bool | str) -> None:
    said = Independent.FromString(command(5, {"Commands/Mode": value}))
    said.metrics[0].is_null = True
    assert decode(said.SerializeToString(), MOST)[1] == [Written("Commands/Mode", None, None)]
    said.metrics[0].is_null = False
    assert decode(said.SerializeToString(), MOST)[1] == [Written("Commands/Mode", None, value)]


def test_fields_of_later_versions_are_passed_over() -> None:
    later = field(9, 1) + field(8, b"later") + field(7, 1.0)
    metrics = field(2, field(9, field(15, b"")))
    assert decode(later + metrics, MOST) == (None, [Written(None, None, None)])


def test_a_payload_with_more_metrics_than_are_wanted_is_refused() -> None:
    one = field(2, b"")
    assert len(decode(one, most_metrics=1)[1]) == 1
    with pytest.raises(PayloadError, match="more than 1 metrics"):
        decode(one + one, most_metrics=1)
