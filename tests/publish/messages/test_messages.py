"""Every payload that is rendered keeps to the published schema, and the files are fresh."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import FIRST_UTC_S
from dustcake.cli.schema import TEXTS
from dustcake.core.events import EVENTS, Event, RequestAnswered
from dustcake.core.inputs import Stamp
from dustcake.core.minutes import Minute, Spread
from dustcake.core.reasons import Because, because
from dustcake.core.requests.definitions import REQUESTS
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step import Step
from dustcake.publish.messages import document, messages_schema, payload_schemas
from dustcake.publish.payloads import SHARED
from dustcake.publish.render import Renderer
from dustcake.publish.request_json import (
    InvalidRequest,
    ParsedRequest,
    read_request,
    reply,
)
from dustcake.publish.topics import CHANNELS, Publication, Topics
from dustcake.units import PressureUnit
from examples import examples
from publish.histories import SETPOINTS, live

TOPICS = Topics("site/dust", "welding-1")
CONFIG = Path(__file__).parents[3] / "config"


def closed(schema: Any) -> Any:
    """``schema`` without the freedom it leaves to later versions: no field it does not name."""
    if isinstance(schema, list):
        return [closed(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    inner = {key: closed(value) for key, value in schema.items()}
    return {**inner, "additionalProperties": False} if "properties" in inner else inner


def validator(kind: str) -> jsonschema.Draft202012Validator:
    whole = {"$ref": f"#/$defs/{kind}", "$defs": {**SHARED, **payload_schemas()}}
    checker = jsonschema.Draft202012Validator.FORMAT_CHECKER
    return jsonschema.Draft202012Validator(closed(whole), format_checker=checker)


VALIDATORS = {kind: validator(kind) for kind in payload_schemas()}


def check(publication: Publication) -> str:
    """Hold a publication to its channel: topic, QoS, retain and payload. Its kind."""
    leaf = publication.topic.removeprefix("site/dust/welding-1/")
    kind = leaf.split("/")[0]
    VALIDATORS[kind].validate(json.loads(publication.payload))
    channel = CHANNELS[kind]
    assert (publication.qos, publication.retain) == (channel.qos, channel.retain)
    assert len(leaf.split("/")) == len(channel.leaf.split("/"))
    return kind


@examples(12)
@given(st.data(), st.sampled_from(SETPOINTS), st.sampled_from(list(PressureUnit)))
def test_whatever_a_collector_lives_through_is_told_by_the_schema(
    data: st.DataObject, setpoints: Setpoints, unit: PressureUnit
) -> None:
    renderer = Renderer(TOPICS, setpoints, unit, 30)
    kinds: set[str] = set()

    def tell(before: State, done: Step) -> None:
        state, at = done.state, done.state.sample.at
        told = renderer.changes(before, state, done.events, at.utc_s)
        told.append(renderer.measurement(state, at.utc_s))
        kinds.update(check(each) for each in told)
        for event in done.events:
            if isinstance(event.body, RequestAnswered):
                VALIDATORS["reply"].validate(
                    json.loads(reply(event.body, event.at.utc_s, event.seq, unit))
                )

    last = live(data, tell, setpoints).state
    kinds.update(check(each) for each in renderer.everything(last, None))
    assert {"measurement", "state", "alarm", "event"} <= kinds


def test_every_kind_of_event_has_a_schema_of_its_own() -> None:
    names = [each["properties"]["event"]["const"] for each in payload_schemas()["event"]["oneOf"]]
    assert names == list(EVENTS)
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("online", [True, False])
def test_online(online: bool) -> None:
    renderer = Renderer(TOPICS, SETPOINTS[0], PressureUnit.PA, 30)
    assert check(renderer.online(None, 3, online)) == "online"


@pytest.mark.parametrize("spread", [None, Spread(1.0, 2.0, 3.0)])
def test_minute(spread: Spread | None) -> None:
    renderer = Renderer(TOPICS, SETPOINTS[0], PressureUnit.PA, 30)
    minute = Minute(FIRST_UTC_S, Stamp(0.0, FIRST_UTC_S), 60.0, 60, 59, spread, spread, 12.0)
    assert check(renderer.minute(7, minute, 0, 3)) == "minute"


def test_replies() -> None:
    refused = RequestAnswered("", "", "mqtt:x", False, InvalidRequest("not JSON").reason)
    told = reply(refused, None, 0, PressureUnit.PA)
    VALIDATORS["reply"].validate(json.loads(told))
    body = RequestAnswered("a", "mode", "b", True, because(Because.DONE))
    event = Event(4, Stamp(0.0, None), body)
    VALIDATORS["reply"].validate(
        json.loads(reply(body, event.at.utc_s, event.seq, PressureUnit.PA))
    )


OPTIONAL = (
    "utc",
    "by",
    "high_pa",
    "interval_s",
    "why",
    "blower_off_confirmed",
    "note",
    "valves",
    "upkeep",
)
REQUESTS_MADE: list[dict[str, Any]] = [
    {"id": "1", "request": "mode", "mode": "off"},
    {"id": "1", "request": "zero"},
    {"id": "1", "request": "zero", "blower_off_confirmed": True, "by": "me"},
    {"id": "1", "request": "acknowledge", "alarm": "high_dp", "utc": "2026-05-04T06:00:00Z"},
    {"id": "1", "request": "reset", "alarm": "high_dp"},
    {"id": "1", "request": "shelve", "alarm": "high_dp", "for_s": 60, "by": "me", "why": "test"},
    {"id": "1", "request": "unshelve", "alarm": "high_dp"},
    {"id": "1", "request": "out_of_service", "alarm": "high_dp", "by": "me", "why": "test"},
    {"id": "1", "request": "in_service", "alarm": "high_dp"},
    {"id": "1", "request": "blower", "run": True},
    {"id": "1", "request": "pulse", "valve": 2},
    {"id": "1", "request": "filter_change", "by": "me", "note": "new", "valves": [1, 2]},
    {"id": "1", "request": "record", "by": "me", "entry": "note", "note": "noise"},
    {"id": "1", "request": "set_points", "by": "me", "high_pa": 1100, "interval_s": 20.5},
    {"id": "1", "request": "confirm", "by": "me", "change": 12},
]


def test_requests_that_keep_to_the_schema_are_understood() -> None:
    assert [made["request"] for made in REQUESTS_MADE if made.get("by") != "me"] != []
    assert {made["request"] for made in REQUESTS_MADE} == set(REQUESTS)
    for made in REQUESTS_MADE:
        VALIDATORS["request"].validate(made)
        assert isinstance(read_request(json.dumps(made).encode()), ParsedRequest), made


@pytest.mark.parametrize("made", REQUESTS_MADE)
def test_requests_that_do_not_are_refused_by_both(made: dict[str, Any]) -> None:
    spoiled = [{**made, "extra": 1}, {**made, "id": ""}, {**made, "id": 1}]
    spoiled += [
        {key: value for key, value in made.items() if key != name}
        for name in made
        if name not in OPTIONAL
    ]
    for each in spoiled:
        assert not VALIDATORS["request"].is_valid(each), each
        assert isinstance(read_request(json.dumps(each).encode()), InvalidRequest), each


def references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "$ref":
                yield value
            else:
                yield from references(value)
    elif isinstance(part, list):
        for each in part:
            yield from references(each)


def found(whole: Any, reference: str) -> Any:
    assert reference.startswith("#/")
    for step in reference[2:].split("/"):
        whole = whole[step]
    return whole


def test_the_asyncapi_document_holds_together() -> None:
    whole = document()
    used = list(references(whole))
    assert len(used) > 50
    for reference in used:
        assert found(whole, reference)
    assert whole["asyncapi"] == "3.0.0"
    for name, channel in whole["channels"].items():
        wanted = {part[1:-1] for part in channel["address"].split("/") if part.startswith("{")}
        assert set(channel["parameters"]) == wanted
        assert channel["address"] == f"{{root}}/{{collector}}/{CHANNELS[name].leaf}"
    told = {o["channel"]["$ref"].split("/")[-1]: o for o in whole["operations"].values()}
    assert set(told) == set(whole["channels"])
    assert [kind for kind, o in told.items() if o["action"] == "receive"] == ["request"]


def test_every_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(messages_schema())
    for schema in document()["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)


def test_the_files_are_fresh() -> None:
    for name in ("messages", "asyncapi"):
        written = (CONFIG / f"{name}.json").read_text(encoding="utf-8")
        assert written == TEXTS[name](), f"run dustcake schema {name} --output config/{name}.json"
