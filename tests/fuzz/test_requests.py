"""Whatever is asked, by MQTT or on the local socket: it is answered in JSON, and what is refused
has changed nothing."""

import asyncio
import json
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dustcake.adapters.mqtt import MqttLink
from dustcake.core.events import RequestAnswered
from dustcake.core.inputs import Woke
from dustcake.core.requests.definitions import REQUESTS
from dustcake.core.requests.kinds import Identity, Mode
from dustcake.core.state import State
from dustcake.core.step import step
from dustcake.publish.request_json import read_request
from dustcake.runtime.request_service import Requester, RequestService, answer_local
from dustcake.units import PressureUnit
from examples import examples
from ports.fake_store import FakeStore
from ports.mqtt.running_link import Says, settings_for
from runtime.benchwork import Bench, running
from runtime.simulated_time import run

NAMES = [
    "id",
    "by",
    "request",
    "mode",
    "alarm",
    "run",
    "blower_off_confirmed",
    "collector",
    "status",
]
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=70)
    | st.sampled_from([*REQUESTS, *Mode, "smoke", "bay-3", "\ud800", "\0", "x" * 5000, 10**400]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)
NEARLY = st.builds(
    lambda pairs, likely: {**likely, **dict(pairs)},
    st.lists(st.tuples(st.sampled_from(NAMES), VALUES), max_size=1),
    st.sampled_from(
        [
            {"id": "r1", "request": "mode", "mode": "timed"},
            {"id": "r2", "request": "mode", "mode": "off"},
            {"id": "r3", "request": "zero", "blower_off_confirmed": True},
            {"id": "r4", "request": "acknowledge", "alarm": "smoke"},
            {"id": "r5", "request": "blower", "run": True},
            {"status": True},
            {},
        ]
    ),
)
JSON = st.builds(
    lambda value, ascii_: json.dumps(value, ensure_ascii=ascii_),
    NEARLY | NEARLY | NEARLY | VALUES,
    st.booleans(),
)


@st.composite
def payloads(draw: st.DrawFn) -> bytes:
    text = draw(JSON).encode("utf-8", "surrogatepass")
    match draw(st.sampled_from(["so"] * 8 + ["cut", "flipped", "encoded", "twice", "padded"])):
        case "cut":
            return text[: draw(st.integers(0, len(text)))]
        case "flipped" if text:
            at = draw(st.integers(0, len(text) - 1))
            return text[:at] + draw(st.binary(min_size=1, max_size=1)) + text[at + 1 :]
        case "encoded":
            return text.decode("utf-8", "replace").encode(
                draw(st.sampled_from(["utf-16", "utf-32"]))
            )
        case "twice":
            return text[:-1] + b',"id":"r9","request":"mode","mode":"off"}'
        case "padded":
            return b" " * draw(st.sampled_from([4000, 8100, 262_144])) + text
    return text


RUBBISH = st.binary(max_size=200) | st.sampled_from(
    [b"[" * 4000, b'{"id":' * 600, b"9" * 4096, b'{"id":1e999}', b'{"id": NaN}', b'{"status": 1}']
)
ODD_TEXT = st.text(max_size=20) | st.sampled_from(["", "#", "a/+", "x\0", "\ud800", "/" * 300])

answered: Counter[str] = Counter()


@pytest.fixture(scope="module", autouse=True)
def all_kinds_of_answers() -> Iterator[None]:
    answered.clear()
    yield
    if answered.total() > 300:
        wanted = {"accepted", "refused by the core", "not understood", "status"}
        assert wanted <= set(answered), answered


def without_the_record(state: State) -> State:
    """The state, but for the record that something was asked and refused."""
    return replace(state, next_seq=0, answers=(), deadline_s=None, quiet=None)


async def tried(bench: Bench, payload: bytes, *, local: bool) -> None:
    engine = bench.engine
    request_service = RequestService(engine, PressureUnit.PA, bench.clock)
    before, commits = engine.state, len(bench.store.commits)
    if local:
        status = {"bay-3": lambda: {"mode": engine.state.mode}}
        text = await answer_local(payload, "somebody", {"bay-3": request_service}, status)
    else:
        requester = Requester("mqtt", Identity.UNKNOWN, is_named=False)
        text = await request_service.answer(read_request(payload), requester)
    answer = json.loads(text.decode("utf-8"), parse_constant=pytest.fail)
    assert len(text) < 10_000
    if "collectors" in answer:
        answered["status"] += 1
        assert json.loads(payload) == {"status": True}
        assert engine.state is before
    elif answer["accepted"]:
        answered["accepted"] += 1
        assert json.loads(payload)["request"] == answer["request"]
    elif "reason_code" not in answer:
        assert local, "only a line that is for no collector is answered without a record"
        assert engine.state is before
        assert len(bench.store.commits) == commits
    else:
        refused = answer["reason_code"] in ("not_understood", "not_named")
        answered["not understood" if refused else "refused by the core"] += 1
        assert answer["reason"]
        recorded = bench.store.commits[-1].events[-1].body
        assert isinstance(recorded, RequestAnswered)
        assert (recorded.accepted, recorded.reason.code) == (False, answer["reason_code"])
        without = step(before, Woke(bench.clock.now()), bench.setpoints).state
        assert without_the_record(engine.state) == without_the_record(without)


@examples(120)
@given(
    asked=st.lists(
        st.tuples(payloads() | payloads() | RUBBISH, st.booleans()), min_size=1, max_size=8
    )
)
@example(asked=[(b'{"status": 1}', True), (b'{"status": 1.0}', True), (b'{"status": true}', True)])
def test_it_is_answered_and_changes_nothing_if_refused(asked: list[tuple[bytes, bool]]) -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(3.0)
            for payload, local in asked:
                await tried(bench, payload, local=local)

    run(story())


@examples(150)
@given(
    topic=ODD_TEXT, payload=st.binary(max_size=50), correlation=st.none() | st.binary(max_size=99)
)
def test_a_reply_goes_anywhere_but_over_what_we_say(
    topic: str, payload: bytes, correlation: bytes | None
) -> None:
    """The response topic is chosen by whoever asks."""

    async def story() -> None:
        says = Says()
        link = MqttLink(settings_for(1883), FakeStore(), says.online, says.current)
        link.status = replace(link.status, connected=True)
        for asked in (topic, f"mill/{topic}", f"mill/reply/{topic}"):
            link.reply(asked, payload, correlation)
        while not link._live.empty():
            _, publication, data = link._live.get_nowait()
            assert data == correlation
            assert not publication.retain
            assert 0 < len(publication.topic.encode("utf-8")) <= 65_535
            assert not set("+#\0\r\n") & set(publication.topic)
            levels = publication.topic.split("/")
            assert levels[0] != "mill" or "reply" in levels

    run(story())


def test_rubbish_in_great_numbers_takes_no_memory() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(3.0)
            big = b'{"id": "' + b"x" * 262_144 + b'"}'
            tracemalloc.start()
            for payload in [b"\xff" * 100, big, b'{"id": "r"}'] * 300:
                await tried(bench, payload, local=False)
                await tried(bench, payload, local=True)
                # What is on record is on the disk.
                bench.store.commits.clear()
                bench.store._queue.clear()
            _, peak = tracemalloc.get_traced_memory()
            tracemalloc.stop()
            assert peak < 1_000_000
            await asyncio.sleep(1)

    run(story())
