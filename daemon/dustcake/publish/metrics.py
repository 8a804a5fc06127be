"""The collectors as figures for a monitoring system, named as OpenMetrics has it: base units at
the end of the name, in the plural, and ``_total`` for what only grows (from memory).

How many series there are is settled by the settings alone: labels are collectors, valves, alarms
and the words of a state, never anything that comes in.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import StrEnum

from dustcake.core.record import record
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.publish.life_and_air import energy_kwh
from dustcake.publish.payloads import shown_set_points

JOULES_PER_KWH = 3.6e6
STEP_BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)
_UNITS = ("pascals", "seconds", "cubic_meters", "joules", "bytes")


@record
class Figure:
    """One value. ``ending``: what follows the family's name."""

    labels: dict[str, str]
    value: float
    ending: str = ""


@record
class Family:
    """Figures of one name, of a ``kind`` that OpenMetrics has."""

    name: str
    kind: str
    words: str
    figures: tuple[Figure, ...]

    @property
    def unit(self) -> str:
        """What the name ends with; empty where the figures have no unit."""
        return next((unit for unit in _UNITS if self.name.endswith(unit)), "")


@record
class StepTimes:
    """How long steps took, commit included: ``counts`` by ``STEP_BOUNDS_S`` and beyond, and the sum
    of them all."""

    counts: tuple[int, ...] = (0,) * (len(STEP_BOUNDS_S) + 1)
    sum_s: float = 0.0

    def with_one(self, took_s: float) -> "StepTimes":
        """The same, and one more step."""
        at = bisect_left(STEP_BOUNDS_S, took_s)
        counts = (*self.counts[:at], self.counts[at] + 1, *self.counts[at + 1 :])
        return StepTimes(counts, self.sum_s + took_s)


@record
class CollectorState:
    """One collector at one moment. Counts are since the start of the daemon; None is not known, or
    not fitted."""

    state: State
    setpoints: Setpoints
    mono_s: float
    polls: int
    polls_failed: int
    polls_missed: int
    steps: StepTimes
    connected: bool | None
    waiting: int | None


def families(
    seen: Sequence[CollectorState], version: str, journal_bytes: int | None
) -> Iterator[Family]:
    """Every figure there is."""
    build = Figure({"version": version}, 1.0, "_info")
    yield Family("dustcake_build", "info", "The running daemon", (build,))
    for short, kind, words, read in _FAMILIES:
        name = f"dustcake_{short}"
        ending = "_total" if kind == "counter" else ""
        figures = (
            Figure({"collector": one.setpoints.collector, **labels}, float(value), ending)
            for one in seen
            for labels, value in _labelled(name, read(one))
        )
        yield Family(name, kind, words, tuple(figures))
    steps = tuple(figure for one in seen for figure in _steps(one))
    words = "Time a step took, from taking its input to its being stored"
    yield Family("dustcake_step_seconds", "histogram", words, steps)
    journal = () if journal_bytes is None else (Figure({}, float(journal_bytes)),)
    yield Family("dustcake_journal_bytes", "gauge", "Size of the journal", journal)


def _steps(one: CollectorState) -> Iterator[Figure]:
    labels = {"collector": one.setpoints.collector}
    count = 0
    bounds = (*(str(bound) for bound in STEP_BOUNDS_S), "+Inf")
    for bound, more in zip(bounds, one.steps.counts, strict=True):
        count += more
        yield Figure({**labels, "le": bound}, float(count), "_bucket")
    yield Figure(labels, float(count), "_count")
    yield Figure(labels, one.steps.sum_s, "_sum")


Labelled = list[tuple[dict[str, str], float]]
Reading = float | StrEnum | Labelled | None


def _labelled(name: str, read: Reading) -> Labelled:
    """The figures: of a state one for each that it could be; of what is not known, none."""
    match read:
        case None:
            return []
        case StrEnum():
            return _each(name, ((state, state is read) for state in type(read)))
        case list():
            return read
    return [({}, read)]


def _each(label: str, values: Iterable[tuple[object, float]]) -> Labelled:
    return [({label: str(name)}, value) for name, value in values]


def _set_points(one: CollectorState) -> Labelled:
    return _each("set_point", shown_set_points(one.setpoints, one.state).items())


def _times(one: CollectorState) -> Labelled:
    pulsing = effective(one.setpoints, one.state.set_point_overrides).pulsing
    return _each("set_point", [("interval", pulsing.interval_s), ("on_time", pulsing.on_time_s)])


def _alarms(one: CollectorState) -> Labelled:
    pairs = zip(one.state.alarms, one.setpoints.alarms, strict=True)
    used = (alarm for alarm, setting in pairs if setting.enabled)
    return _each("alarm", ((alarm.name, alarm.condition_active) for alarm in used))


def _energy(one: CollectorState) -> float:
    return energy_kwh(one.state.air.total.free_m3, one.setpoints.air) * JOULES_PER_KWH


_G, _C, _S = "gauge", "counter", "stateset"
_FAMILIES: tuple[tuple[str, str, str, Callable[[CollectorState], Reading]], ...] = (
    ("dp_pascals", _G, "Differential pressure across the filters", lambda c: c.state.sample.pa),
    (
        "dp_read_timestamp_seconds", _G, "When dP was read, Unix time",
        lambda c: c.state.sample.at.utc_s,
    ),
    (
        "header_pascals", _G, "Header pressure, above that of the room",
        lambda c: c.state.header.pa if c.state.header else None,
    ),
    ("set_point_pascals", _G, "Set points of dP", _set_points),
    ("set_point_seconds", _G, "Set points of the pulses", _times),
    (
        "blower_running", _G, "Whether the blower is proved running",
        lambda c: c.state.blower.running,
    ),
    (
        "blower_running_seconds", _C, "Running time of the blower",
        lambda c: c.state.blower.total_until_s(c.mono_s),
    ),
    (
        "pulses", _C, "Pulses of each valve",
        lambda c: _each("valve", enumerate(c.state.pulsing.counts, start=1)),
    ),
    ("air_cubic_meters", _C, "Free air of all pulses", lambda c: c.state.air.total.free_m3),
    ("air_energy_joules", _C, "Electricity to compress it", _energy),
    ("alarm_active", _G, "Whether the condition of an alarm stands", _alarms),
    ("events", _C, "Events on record", lambda c: c.state.next_seq - 1),
    ("polls", _C, "Times the inputs were read", lambda c: c.polls),
    ("polls_failed", _C, "Of these, without a proper reply for dP", lambda c: c.polls_failed),
    (
        "polls_missed", _C, "Polls left out, as the one before took too long",
        lambda c: c.polls_missed,
    ),
    ("broker_connected", _G, "Whether the link to the MQTT broker is up", lambda c: c.connected),
    ("outbox_messages", _G, "Messages that wait for the broker", lambda c: c.waiting),
    (
        "journal_writable", _G, "Whether what happens can be stored",
        lambda c: c.state.journal.fault is None,
    ),
    ("dp_quality", _S, "Quality of dP, by NAMUR NE 107", lambda c: c.state.sample.quality),
    (
        "header_quality", _S, "Quality of header pressure",
        lambda c: c.state.header.quality if c.state.header else None,
    ),
    ("mode", _S, "Mode of cleaning that is selected", lambda c: c.state.decision.mode),
    ("phase", _S, "What the collector is doing", lambda c: c.state.decision.phase),
)  # fmt: skip
