"""Payloads against Google's library, and whatever else may come in."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.publish.sparkplug.payload import (
    DataType,
    Metric,
    QualityCode,
    Value,
    Written,
    bare_metric,
    decode,
    field,
    payload,
    varint,
)
from publish.sparkplug.independent import Payload as Independent
from publish.sparkplug.independent import command, parsed, quality_of, value_of

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
def metrics(draw: st.DrawFn) -> tuple[Metric, int | None, bool, bool]:
    """A metric, its alias, whether a birth has it, and whether it is historical."""
    datatype, value = draw(TYPED)
    metric = Metric(
        draw(TEXTS),
        datatype,
        draw(st.sampled_from([value, None])),
        draw(st.integers(0, 2**40)) / 1000,
        draw(st.sampled_from(list(QualityCode))),
        draw(st.none() | TEXTS),
    )
    return metric, draw(st.none() | U64), draw(st.booleans()), draw(st.booleans())


LISTED = st.lists(metrics(), max_size=4)
SENT_UTC_S = st.none() | st.integers(0, 2**40).map(lambda ms: ms / 1000)


def encoded(listed: list[tuple[Metric, int | None, bool, bool]]) -> list[bytes]:
    return [
        metric.encoded(alias, in_birth=in_birth, is_historical=is_historical)
        for metric, alias, in_birth, is_historical in listed
    ]


def same(datatype: DataType, value: Value | None, got: Any) -> bool:
    """Whether ``got`` on the wire is ``value``: negative numbers are their two's complement."""
    if isinstance(value, int) and value < 0:
        return bool(got - 2 ** (32 if datatype is DataType.INT32 else 64) == value)
    return bool(got == value)


@given(SENT_UTC_S, LISTED, st.none() | st.integers(0, 255))
def test_what_is_written_is_read_by_another(
    utc_s: float | None, listed: list[tuple[Metric, int | None, bool, bool]], seq: int | None
) -> None:
    theirs = parsed(payload(utc_s, encoded(listed), seq))
    assert theirs.HasField("timestamp") is (utc_s is not None)
    assert theirs.timestamp == round((utc_s or 0.0) * 1000)
    assert (theirs.HasField("seq"), theirs.seq) == (seq is not None, seq or 0)
    assert len(theirs.metrics) == len(listed)
    for (metric, alias, in_birth, is_historical), got in zip(listed, theirs.metrics, strict=True):
        assert (got.HasField("name"), got.alias) == (in_birth, alias or 0)
        assert got.name == (metric.name if in_birth else "")
        assert got.timestamp == round(metric.utc_s * 1000)
        assert got.datatype == (metric.datatype if in_birth else 0)
        assert got.is_null is (metric.value is None)
        assert got.is_historical is is_historical
        assert same(metric.datatype, metric.value, value_of(got))
        assert quality_of(got) == metric.quality
        units = [v for k, v in zip(*properties(got), strict=True) if k == "unit"]
        wanted = in_birth and metric.unit is not None
        assert [(v.type, v.string_value) for v in units] == [(12, metric.unit)] * wanted


def properties(metric: Any) -> tuple[Any, Any]:
    return metric.properties.keys, metric.properties.values


@given(SENT_UTC_S, LISTED)
def test_texts_and_flags_are_read_again(
    utc_s: float | None, listed: list[tuple[Metric, int | None, bool, bool]]
) -> None:
    sent_ms, written = decode(payload(utc_s, encoded(listed)), MOST)
    assert sent_ms == (None if utc_s is None else round(utc_s * 1000))
    assert written == [
        Written(
            metric.name if in_birth else None,
            alias,
            metric.value if isinstance(metric.value, bool | str) else None,
        )
        for metric, alias, in_birth, _ in listed
    ]


# Worked by hand from the encoding's description: key = field number * 8 + wire type.
@pytest.mark.parametrize(
    ("made", "data"),
    [
        (payload(None, ()), ""),
        (payload(0.001, (), 0), "0801 1800"),
        (payload(0.3, (), 255), "08ac02 18ff01"),
        (
            payload(None, [bare_metric("bdSeq", DataType.INT64, 7)]),
            "120b 0a05 6264536571 2004 5807",
        ),
        (
            payload(None, [Metric("dP", DataType.DOUBLE, 1.0, 0.3).encoded(2)]),
            "1220 1002 18ac02 4a10 0a07 5175616c697479 1205 0803 18c001 69 000000000000f03f",
        ),
        (
            payload(None, [Metric("on", DataType.BOOLEAN, None, 0.3).encoded(2)]),
            "1219 1002 18ac02 3801 4a10 0a07 5175616c697479 1205 0803 18c001",
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
        ("12 03 0a 01 ff", "utf-8"),
        ("12 04 71 00 00", "cut off in the middle of a field"),
    ],
)
def test_what_is_no_payload_is_told(data: str, problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        decode(bytes.fromhex(data), MOST)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_payload_or_told_to_be_none(data: bytes) -> None:
    problem = "none"
    try:
        decode(data, MOST)
    except ValueError as error:
        problem = str(error)
    assert problem


@given(LISTED, st.data())
def test_spoiled_payloads_are_read_or_told(
    listed: list[tuple[Metric, int | None, bool, bool]], data: st.DataObject
) -> None:
    sound = bytearray(payload(7.0, encoded(listed)))
    if sound:
        at = data.draw(st.integers(0, len(sound) - 1))
        sound[at] = data.draw(st.integers(0, 255))
    problem = "none"
    try:
        decode(bytes(sound), MOST)
    except ValueError as error:
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


@pytest.mark.parametrize("data", ["0a 01 00", "10 01", "09 0000000000000000"])
def test_a_field_of_another_type_is_passed_over(data: str) -> None:
    assert decode(bytes.fromhex(data), MOST) == (None, [])


@pytest.mark.parametrize("data", ["12 02 08 01", "12 03 12 01 00", "12 03 72 01 00", "12 02 78 01"])
def test_and_so_is_one_of_a_metric(data: str) -> None:
    assert decode(bytes.fromhex(data), MOST) == (None, [Written(None, None, None)])


def test_a_payload_with_more_metrics_than_are_wanted_is_refused() -> None:
    one = field(2, b"")
    assert len(decode(one, most_metrics=1)[1]) == 1
    with pytest.raises(ValueError, match="more than 1 metrics"):
        decode(one + one, most_metrics=1)
