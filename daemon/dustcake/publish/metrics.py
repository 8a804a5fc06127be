"""The collectors as figures for a monitoring system, named as OpenMetrics has it: base units at
the end of the name, in the plural, and ``_total`` for what only grows (from memory).

How many series there are is settled by the settings alone: labels are collectors, valves, alarms
and the words of a state, never anything that comes in.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import Enum, StrEnum

from dustcake.core.reading import Sample
from dustcake.core.record import record
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.publish.life_and_air import energy_kwh

JOULES_PER_KWH = 3.6e6
STEP_BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)


class FamilyType(StrEnum):
    """What a family is, in the words of OpenMetrics."""

    GAUGE = "gauge"
    COUNTER = "counter"
    STATESET = "stateset"
    HISTOGRAM = "histogram"
    INFO = "info"


@record
class Figure:
    """One value. ``ending``: what follows the family's name."""

    labels: tuple[tuple[str, str], ...]
    value: float
    ending: str = ""


@record
class Family:
    """Figures of one name, which ends with ``unit`` where there is one."""

    name: str
    kind: FamilyType
    words: str
    unit: str
    figures: tuple[Figure, ...]


@record
class StepTimes:
    """How long steps took, commit included: ``counts`` by ``STEP_BOUNDS_S`` and beyond, and the sum
    of them all."""

    counts: tuple[int, ...] = (0,) * (len(STEP_BOUNDS_S) + 1)
    sum_s: float = 0.0


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


Labelled = tuple[tuple[tuple[str, str], ...], float]
ReadFigures = Callable[[CollectorState], Iterable[Labelled]]


def families(
    seen: Sequence[CollectorState], version: str, journal_bytes: int | None
) -> Iterator[Family]:
    """Every figure there is."""
    build = Figure((("version", version),), 1.0, "_info")
    yield Family("dustcake_build", FamilyType.INFO, "The running daemon", "", (build,))
    for name, kind, unit, words, read in _FAMILIES:
        ending = "_total" if kind is FamilyType.COUNTER else ""
        figures = tuple(
            Figure((("collector", one.setpoints.collector), *labels), value, ending)
            for one in seen
            for labels, value in read(one)
        )
        yield Family(name, kind, words, unit, figures)
    steps = tuple(figure for one in seen for figure in _steps(one))
    words = "Time a step took, from taking its input to its being stored"
    yield Family("dustcake_step_seconds", FamilyType.HISTOGRAM, words, "seconds", steps)
    journal = () if journal_bytes is None else (Figure((), float(journal_bytes)),)
    yield Family(
        "dustcake_journal_bytes", FamilyType.GAUGE, "Size of the journal", "bytes", journal
    )


def _steps(one: CollectorState) -> Iterator[Figure]:
    labels = (("collector", one.setpoints.collector),)
    count = 0
    bounds = (*(str(bound) for bound in STEP_BOUNDS_S), "+Inf")
    for bound, more in zip(bounds, one.steps.counts, strict=True):
        count += more
        yield Figure((*labels, ("le", bound)), float(count), "_bucket")
    yield Figure(labels, float(count), "_count")
    yield Figure(labels, one.steps.sum_s, "_sum")


def _plain(value: float | None) -> list[Labelled]:
    return [] if value is None else [((), float(value))]


def _each(label: str, values: Iterable[tuple[object, float]]) -> list[Labelled]:
    return [(((label, str(name)),), float(value)) for name, value in values]


def _states(name: str, present: Enum | None) -> list[Labelled]:
    if present is None:
        return []
    return _each(name, ((state.value, state is present) for state in type(present)))


def _pressure(sample: Sample | None) -> list[Labelled]:
    return _plain(None if sample is None else sample.pa)


def _header_quality(one: CollectorState) -> list[Labelled]:
    header = one.state.header
    return _states("dustcake_header_quality", None if header is None else header.quality)


def _set_points(one: CollectorState) -> list[Labelled]:
    present = effective(one.setpoints, one.state.set_point_overrides)
    named = {
        "low": present.cleaning.low_pa,
        "high": present.cleaning.high_pa,
        "replacement": present.limits.replacement_pa,
    }
    return _each("set_point", named.items())


def _times(one: CollectorState) -> list[Labelled]:
    pulsing = effective(one.setpoints, one.state.set_point_overrides).pulsing
    return _each("set_point", [("interval", pulsing.interval_s), ("on_time", pulsing.on_time_s)])


def _alarms(one: CollectorState) -> list[Labelled]:
    pairs = zip(one.state.alarms, one.setpoints.alarms, strict=True)
    used = (alarm for alarm, setting in pairs if setting.enabled)
    return _each("alarm", ((alarm.name.value, alarm.condition_active) for alarm in used))


def _energy(one: CollectorState) -> list[Labelled]:
    return _plain(energy_kwh(one.state.air.total.free_m3, one.setpoints.air) * JOULES_PER_KWH)


_G, _C, _S = FamilyType.GAUGE, FamilyType.COUNTER, FamilyType.STATESET
_FAMILIES: tuple[tuple[str, FamilyType, str, str, ReadFigures], ...] = (
    (
        *("dustcake_dp_pascals", _G, "pascals", "Differential pressure across the filters"),
        lambda one: _pressure(one.state.sample),
    ),
    (
        *("dustcake_dp_read_timestamp_seconds", _G, "seconds", "When dP was read, Unix time"),
        lambda one: _plain(one.state.sample.at.utc_s),
    ),
    (
        *("dustcake_header_pascals", _G, "pascals", "Header pressure, above that of the room"),
        lambda one: _pressure(one.state.header),
    ),
    ("dustcake_set_point_pascals", _G, "pascals", "Set points of dP", _set_points),
    ("dustcake_set_point_seconds", _G, "seconds", "Set points of the pulses", _times),
    (
        *("dustcake_blower_running", _G, "", "Whether the blower is proved running"),
        lambda one: _plain(one.state.blower.running),
    ),
    (
        *("dustcake_blower_running_seconds", _C, "seconds", "Running time of the blower"),
        lambda one: _plain(one.state.blower.total_until_s(one.mono_s)),
    ),
    (
        *("dustcake_pulses", _C, "", "Pulses of each valve"),
        lambda one: _each("valve", enumerate(one.state.pulsing.counts, start=1)),
    ),
    (
        *("dustcake_air_cubic_meters", _C, "cubic_meters", "Free air of all pulses"),
        lambda one: _plain(one.state.air.total.free_m3),
    ),
    ("dustcake_air_energy_joules", _C, "joules", "Electricity to compress it", _energy),
    ("dustcake_alarm_active", _G, "", "Whether the condition of an alarm stands", _alarms),
    (
        *("dustcake_events", _C, "", "Events on record"),
        lambda one: _plain(one.state.next_seq - 1),
    ),
    ("dustcake_polls", _C, "", "Times the inputs were read", lambda one: _plain(one.polls)),
    (
        *("dustcake_polls_failed", _C, "", "Of these, without a proper reply for dP"),
        lambda one: _plain(one.polls_failed),
    ),
    (
        *("dustcake_polls_missed", _C, "", "Polls left out, as the one before took too long"),
        lambda one: _plain(one.polls_missed),
    ),
    (
        *("dustcake_broker_connected", _G, "", "Whether the link to the MQTT broker is up"),
        lambda one: _plain(one.connected),
    ),
    (
        *("dustcake_outbox_messages", _G, "", "Messages that wait for the broker"),
        lambda one: _plain(one.waiting),
    ),
    (
        *("dustcake_journal_writable", _G, "", "Whether what happens can be stored"),
        lambda one: _plain(one.state.journal.fault is None),
    ),
    (
        *("dustcake_dp_quality", _S, "", "Quality of dP, by NAMUR NE 107"),
        lambda one: _states("dustcake_dp_quality", one.state.sample.quality),
    ),
    ("dustcake_header_quality", _S, "", "Quality of header pressure", _header_quality),
    (
        *("dustcake_mode", _S, "", "Mode of cleaning that is selected"),
        lambda one: _states("dustcake_mode", one.state.decision.mode),
    ),
    (
        *("dustcake_phase", _S, "", "What the collector is doing"),
        lambda one: _states("dustcake_phase", one.state.decision.phase),
    ),
)
