"""Histories of a collector as the core really makes them, for everything that is rendered."""

from collections.abc import Callable, Iterator
from dataclasses import replace

from hypothesis import strategies as st

from core.driver import ALL_FITTED, BASE, HEADER_SCALE, Collector, chosen
from dustcake.core.alarms.names import AlarmName
from dustcake.core.commands import Command
from dustcake.core.events import Event
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Input,
    JournalReported,
    Measured,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    ReadFailure,
    Registers,
    Restarted,
    Signal,
    Stopping,
)
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    Entry,
    HandleAlarm,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.core.setpoints import (
    BlowerRequest,
    MaintenanceSetting,
    OnBadReading,
    OutputKind,
    Setpoints,
    SignalKind,
)
from dustcake.core.state import State
from dustcake.core.step import Step, step

CONTACTS = st.sampled_from([None, False, True])
IN_ORDER: dict[str, bool | None] = {
    "blower_running": True,
    "smoke": False,
    "door_open": False,
    "process_running": True,
    "stop": False,
    "drum_full": False,
}
SIGNALS: st.SearchStrategy[Signal] = st.one_of(
    st.floats(-400, 3500).map(Measured),
    st.sampled_from([60.0, 700.0, 750.0, 1000.0, 1300.0, 1600.0, float("nan")]).map(Measured),
    st.sampled_from(list(FailureKind)).map(lambda kind: ReadFailure(kind, "unit 3 of bus {a}")),
    st.lists(st.integers(0, 65535), max_size=3).map(lambda words: Registers(tuple(words))),
)
HEADER_OK = Measured(600_000.0)
REQUESTS = st.one_of(
    st.sampled_from(list(Mode)).map(SelectMode),
    st.booleans().map(SetZero),
    st.sampled_from([*AlarmName, "no 'such' \"alarm\" {here}"]).map(Acknowledge),
    st.booleans().map(RunBlower),
    st.sampled_from([1, 9]).map(PulseValve),
    st.builds(RecordFilterChange, st.just("spare {set}"), st.sampled_from([(), (1,), (9,)])),
    st.builds(
        RecordEntry,
        st.sampled_from(Entry),
        st.sampled_from(["", "a 'note' {here}"]),
        st.sampled_from(["", "snubber", "other"]),
    ),
    st.builds(
        HandleAlarm,
        st.sampled_from(AlarmAction),
        st.sampled_from(AlarmName),
        st.sampled_from(["", "a 'trial' {here}"]),
        st.sampled_from([None, 20.0, 1e9]),
    ),
)
HEADERS: st.SearchStrategy[Signal] = st.one_of(
    st.sampled_from([6e5, 6e5, 6e5, 3e5, 9e5]).map(Measured), SIGNALS
)
OUTCOMES = st.sampled_from([Outcome.DONE] * 12 + [*Outcome, None])

SETPOINTS: list[Setpoints] = [
    chosen(
        fitted=ALL_FITTED if fitted else BASE.fitted,
        header=HEADER_SCALE if fitted else None,
        dp=replace(BASE.dp, kind=kind, gain_pa=1.0 if kind is not SignalKind.CURRENT else 150.0),
        cleaning={
            "downtime": fitted,
            "downtime_min_run_s": 5.0,
            "downtime_spin_down_s": 3.0,
            "on_bad_reading": bad,
            "fallback_delay_s": 4.0,
            "max_cycles": 1,
            "rest_s": 30.0,
            "on_delay_s": 2.0 if fitted else 0.0,
            "finish_cycle": fitted,
        },
        pulsing={"kind": outputs, "interval_s": 1.0, "sequencer_cycle_s": 4.0},
        alarms=tuple(replace(each, on_delay_s=2.0, off_delay_s=2.0) for each in BASE.alarms),
        maintenance=(MaintenanceSetting("snubber", "blow it back", every_s=60.0, every_pulses=5),),
        zeroing={"average_s": 2.0, "blower_off_s": 2.0},
        blower={"request": BlowerRequest.HAND if fitted else BlowerRequest.NONE},
    )
    for fitted, bad, outputs, kind in (
        (True, OnBadReading.TIMED, OutputKind.VALVES_ONE_SHOT, SignalKind.FLOAT32),
        (True, OnBadReading.HOLD, OutputKind.DEMAND_CONTACT, SignalKind.CURRENT),
        (False, OnBadReading.TIMED, OutputKind.VALVES_ON_OFF, SignalKind.SCALED_INTEGER),
    )
]


class Told(Collector):
    """A collector that hands every step it takes to ``tell``: state before, and the step."""

    def __init__(
        self,
        setpoints: Setpoints,
        tell: Callable[[State, Step], None],
        outcome: Callable[[Command], Outcome | None],
    ) -> None:
        def decide(state: State, happened: Input, now: Setpoints) -> Step:
            done = step(state, happened, now)
            tell(state, done)
            return done

        super().__init__(setpoints, decide=decide, outcome=outcome)


def live(
    data: st.DataObject, tell: Callable[[State, Step], None], setpoints: Setpoints
) -> Collector:
    """Let a collector live through happenings drawn from ``data``."""
    collector = Told(setpoints, tell, lambda _command: data.draw(OUTCOMES))
    contacts: dict[str, bool | None] = dict(IN_ORDER)
    for number in range(data.draw(st.integers(1, 30))):
        what = data.draw(
            st.sampled_from(["poll"] * 8 + ["ask", "journal", "wait", "zero", "late", "again"])
        )
        if what == "poll":
            if data.draw(st.integers(0, 4)) == 0:  # mostly one contact at a time, and not often
                name = data.draw(st.sampled_from(sorted(IN_ORDER)))
                contacts[name] = data.draw(CONTACTS)
            elif data.draw(st.integers(0, 2)) == 0:
                contacts |= IN_ORDER
            header = data.draw(HEADERS) if setpoints.header is not None else None
            signal = data.draw(SIGNALS)
            for _ in range(data.draw(st.sampled_from([1, 1, 5, 20]))):
                collector.advance(collector.t + 1.0)
                made = Contacts(**contacts)
                collector.feed(PollCompleted(collector.now, signal, made, header))
        elif what == "ask":
            request = data.draw(REQUESTS)
            collector.feed(OperatorRequested(collector.now, request, "day shift", f"r{number}"))
        elif what == "journal":
            collector.feed(JournalReported(collector.now, data.draw(st.booleans()), "disk full"))
        elif what == "zero":
            contacts["blower_running"] = False
            low = Measured(data.draw(st.sampled_from([3.0, 3.0, 40.0])))
            for ask in (False, True, False, False):
                for _ in range(4):
                    collector.advance(collector.t + 1.0)
                    made = Contacts(**contacts)
                    collector.feed(PollCompleted(collector.now, low, made, HEADER_OK))
                if ask:
                    zero = SetZero(data.draw(st.booleans()))
                    collector.feed(OperatorRequested(collector.now, zero, "", f"z{number}"))
        elif what == "wait":
            collector.wait(data.draw(st.sampled_from([1.0, 10.0, 100.0])))
        elif what == "late":
            late = data.draw(st.integers(1, 20))
            collector.feed(OutputReported(collector.now, late, Outcome.DONE))
        else:
            collector.feed(data.draw(st.sampled_from([Restarted, Stopping]))(collector.now))
    return collector


def reasons_in(done: Step) -> Iterator[object]:
    """Every reason a step shows to anybody."""
    state = done.state
    yield state.decision.reason
    yield from (p.reason for p in state.decision.permissives if p.reason is not None)
    yield from state.sample.reasons
    yield from state.header.reasons if state.header is not None else ()
    yield from (alarm.reason for alarm in state.alarms)
    yield from (answer.reason for answer in state.answers)
    yield from event_reasons(done.events)


def event_reasons(events: tuple[Event, ...]) -> Iterator[object]:
    for event in events:
        reason = getattr(event.body, "reason", None)
        if reason is not None and not isinstance(reason, str):
            yield reason
        yield from getattr(event.body, "reasons", ())
