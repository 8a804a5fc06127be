"""How the daemon conducts it: what it refuses, what it keeps, and what goes wrong around it."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from commission.conducting import Conducted
from dustcake.cli.commission.terminal import step_list
from dustcake.commissioning.procedure import RefusedError
from dustcake.commissioning.record import decode
from dustcake.commissioning.steps.operation import KEEP, PROPOSED, Media, changes_of, trials_of
from dustcake.core.record import replace
from dustcake.core.requests.kinds import (
    PulseValve,
    SelectMode,
    SetPoint,
    SetPointOverride,
    SetPointOverrides,
)
from dustcake.units import PressureUnit, parse_pressure
from examples import examples
from system_support.broker import until


@contextlib.asynccontextmanager
async def conducted(one: Conducted) -> AsyncIterator[Conducted]:
    """``one`` with its record kept on the disk."""
    keeping = asyncio.create_task(one.made.run())
    try:
        yield one
    finally:
        keeping.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await keeping


async def test_what_cannot_be_done_is_refused_with_the_reason(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        assert await one.does("zero", "take") == "there is no record yet: begin one"
        assert "must be one of show" in (await one.asks(commission="sign"))["reason"]
        await one.asks(commission="begin")
        assert "`step` must be one of transmitter, span" in await one.does("zeros", "take")
        assert "`action` must be one of read, scan" in await one.does("transmitter", "take")
        assert "first comes 'Find the transmitter'" in await one.does("zero", "take", still="yes")
        told = await one.asks(commission="do", step="transmitter", action="read", fields=[])
        assert told["reason"] == "`fields` must be an object"
        assert one.core.asked == []


async def test_an_action_is_watched_and_nothing_else_is_begun_meanwhile(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        await one.asks(commission="begin")
        assert await one.does("transmitter", "read") == ""
        assert "under way: wait for its end" in await one.does("transmitter", "read")
        assert "wait for its end" in (await one.asks(commission="begin"))["reason"]
        one.sees(3.0, for_s=3.0)
        told = await one.asks(commission="show")
        assert told["view"]["under_way"]["action"] == "read"
        one.sees(3.0, for_s=2.0)
        assert (await one.last("transmitter"))["values"]["dp_pa"] == 3.0
        assert (await one.asks(commission="show"))["view"]["under_way"] is None


async def test_what_the_core_refuses_is_refused_and_leaves_nothing_on_record(
    tmp_path: Path,
) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        await one.asks(commission="begin")
        await one.skips("transmitter", "span", "zero")
        one.core.refusal = "the access door is open"
        assert await one.does("valves", "pulse", valve=2, clear=True) == one.core.refusal
        assert one.core.asked == [(PulseValve(2), "local:kim")]
        one.core.refusal = ""
        assert await one.does("valves", "pulse", valve=2, clear=True) == ""
        one.sees(0.0, for_s=60.0)
        entry = await one.last("valves")
        assert (entry["result"], "nothing steady" in entry["words"]) == ("failed", True)


async def test_a_reading_that_does_not_settle_is_not_measured(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        await one.asks(commission="begin")
        await one.skips("transmitter", "span", "zero", "valves", "blower")
        one.sees(500.0, blower_running=True)
        fields = {"opening_percent": 50, "new_filters": False}
        assert await one.does("start_up", "measure", **fields) == ""
        assert isinstance(one.core.asked[0][0], SelectMode)
        for step in range(60):
            one.sees(500.0 + 20.0 * step)
        assert (await one.asks(commission="show"))["view"]["under_way"] is not None
        one.sees(1700.0, for_s=8.5)
        assert (await one.last("start_up"))["values"]["dp_pa"] == pytest.approx(1700.0, rel=0.01)
        one.sees(0.0, blower_running=False)
        assert "does not run" in await one.does("start_up", "measure", **fields)


def cleaning_off(text: str) -> str:
    return text.replace("[collector.cleaning]\n", '[collector.cleaning]\nmode = "off"\n')


async def test_the_first_cake_is_seen_by_itself_also_after_a_restart(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path, cleaning_off)) as one:
        await one.asks(commission="begin")
        await one.skips("transmitter", "span", "zero", "valves", "blower")
        one.sees(400.0, blower_running=True)
        await one.does("start_up", "measure", opening_percent=50, new_filters=False)
        one.sees(400.0, for_s=9.0)
        assert await one.does("seasoning", "begin", rise_percent=50) == ""
        await until(lambda: one.has_on_disk(b'"begin"'), "the record on the disk")
    async with conducted(Conducted(tmp_path, cleaning_off)) as again:
        await again.asks(commission="show")
        again.sees(590.0, for_s=60.0, blower_running=True)
        assert (await again.last("seasoning"))["action"] == "begin"
        again.sees(620.0, for_s=15.0)
        again.sees(None)  # one lost reading
        again.sees(620.0, for_s=15.0)
        assert (await again.last("seasoning"))["action"] == "begin"
        again.sees(620.0, for_s=40.0)
        entry = await again.last("seasoning")
        assert (entry["by"], entry["result"]) == ("dustcake", "passed")
        again.sees(620.0, for_s=60.0)
        view = (await again.asks(commission="show"))["view"]
        assert view["current"] == "damper"
        assert len(view["steps"][6]["entries"]) == 2


async def test_a_copy_of_the_settings_follows_what_was_decided(tmp_path: Path) -> None:
    """Proposed at first; those in force once they are kept, where the file has others; none where
    the step was left out."""
    async with conducted(Conducted(tmp_path)) as one:
        await one.asks(commission="begin")
        await one.skips("transmitter", "span", "zero", "valves", "blower", "start_up", "seasoning")
        one.sees(400.0, blower_running=True)
        assert await one.does("damper", "open", opening_percent=90, captures=True) == ""
        one.sees(400.0, for_s=9.0)

        async def changes(action: str, **fields: object) -> dict[str, Any]:
            assert await one.does("set_points", action, **fields) == ""
            assert one.made.record is not None
            return changes_of(one.made.record)

        proposed = await changes("propose", media=Media.DEPTH)
        assert proposed["cleaning"].keys() == {"low", "high"}
        assert await changes("decide", which=PROPOSED) == proposed
        assert await changes("decide", which=KEEP, why="as at the works") == {}
        low_pa = one.setpoints.cleaning.low_pa + PressureUnit.INH2O.pa / 4
        by_hand = SetPointOverride(SetPoint.LOW, low_pa, low_pa, "local:kim", None)
        one.state = replace(one.state, set_point_overrides=SetPointOverrides((by_hand,)))
        kept = await changes("decide", which=KEEP, why="set by hand")
        assert kept.keys() == {"cleaning"}
        assert kept["cleaning"].keys() == {"low"}
        assert parse_pressure(kept["cleaning"]["low"]).pa == pytest.approx(low_pa, rel=1e-3)
        assert await changes("propose", media=Media.DEPTH) == proposed
        assert await changes("skip", why="not now") == {}


async def test_what_was_not_tried_is_said_wherever_the_step_has_passed(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        await one.asks(commission="begin")
        view = (await one.asks(commission="show"))["view"]
        names = [step["step"] for step in view["steps"]]
        await one.skips(*names[: names.index("alarms")])
        trials = list(trials_of(one.setpoints))
        for trial in trials:
            assert await one.does("alarms", "leave", trial=trial, why="no dust yet") == ""
        view = (await one.asks(commission="show"))["view"]
        alarms = next(step for step in view["steps"] if step["step"] == "alarms")
        said = ", ".join(trials).replace("_", " ")
        assert (alarms["state"], alarms["not_tried"]) == ("passed", said)
        assert view["steps"][0]["not_tried"] == ""
        assert any(line.endswith(f"not tried: {said}") for line in step_list(view))
        html = await one.made.report("html")
        assert f"passed; not tried: {said}".encode() in html


async def test_a_damaged_record_is_quarantined_as_and_told(tmp_path: Path) -> None:
    one = Conducted(tmp_path)
    one.file.write_text('{"format": 1')
    async with conducted(one):
        told = await one.asks(commission="show")
        assert "could not be read, and was set aside" in told["view"]["problem"]
        assert told["view"]["record"] is None
        assert (tmp_path / "journal-commissioning-welding-cell-damaged-1.json").exists()
        assert not one.file.exists()
        await one.asks(commission="begin")
        await until(one.file.exists, "the new record")


async def test_a_record_that_cannot_be_written_is_told_and_written_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dustcake.runtime.commissioning.RETRY_S", 0.01)
    place = tmp_path / "gone"
    one = Conducted(place)
    async with conducted(one):
        await one.asks(commission="begin")
        problem = ""
        async with asyncio.timeout(20):
            while not problem:
                await asyncio.sleep(0)
                problem = (await one.asks(commission="show"))["view"]["problem"]
        assert "cannot be written, and is tried again" in problem
        place.mkdir()
        await until(one.file.exists, "the record")
        async with asyncio.timeout(20):
            while problem:
                await asyncio.sleep(0)
                problem = (await one.asks(commission="show"))["view"]["problem"]


async def test_a_signed_record_is_closed_and_a_new_one_puts_it_by(tmp_path: Path) -> None:
    async with conducted(Conducted(tmp_path)) as one:
        with pytest.raises(RefusedError, match="there is no record yet"):
            await one.made.report("html")
        await one.asks(commission="begin")
        steps = [s["step"] for s in (await one.asks(commission="show"))["view"]["steps"]]
        assert "first comes" in await one.does("sign", "sign", name="Kim", true=True)
        await one.skips(*steps[:-1])
        one.time.is_set = False
        assert await one.does("sign", "sign", name="Kim <Ito>", true=True) == ""
        view = (await one.asks(commission="show"))["view"]
        signature = view["record"]["signature"]
        assert (signature["name"], signature["matches"]) == ("Kim <Ito>", True)
        assert view["current"] is None
        assert "signed and closed" in await one.does("zero", "skip", why="x")
        one.sees(1.0)
        html, pdf = await one.made.report("html"), await one.made.report("pdf")
        assert b"Kim &lt;Ito&gt;" in html
        assert signature["sha256"].encode() in html
        assert pdf.startswith(b"%PDF-")
        record = (await one.asks(commission="record"))["record"]
        assert decode(record.encode()).signature is not None
        await until(lambda: one.has_on_disk(b"Kim"), "the signature on the disk")
        assert (await one.asks(commission="begin"))["accepted"]
        aside = one.file.with_name("journal-commissioning-welding-cell-before-1.json")
        assert decode(aside.read_bytes()).signature is not None


ANYTHING: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from([10**400, "\ud800", "yes", "3 Pa", "1", 1]),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=4,
)
NAMES = st.sampled_from(["read", "scan", "choose", "skip", "pulse", "heard", "\ud800"]) | ANYTHING


@examples(150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    what=st.sampled_from(["do", "do", "begin", "show", "record"]) | ANYTHING,
    step=st.sampled_from(["transmitter", "span", "valves"]) | ANYTHING,
    action=NAMES,
    fields=st.dictionaries(
        st.sampled_from(["why", "number", "valve", "clear", "right", "bus", "\ud800"]), ANYTHING
    )
    | ANYTHING,
)
def test_whatever_is_asked_is_answered_in_json(
    tmp_path: Path, what: Any, step: Any, action: Any, fields: Any
) -> None:
    async def told() -> None:
        one = Conducted(tmp_path)
        one.file.unlink(missing_ok=True)
        async with conducted(one):
            await one.asks(commission="begin")
            answer = await one.asks(commission=what, step=step, action=action, fields=fields)
            assert json.dumps(answer, ensure_ascii=False).encode()
            assert answer["accepted"] in (True, False)

    asyncio.run(told())
