"""Which alarms a step can have changed anything for: those that watch what it has changed."""

from collections.abc import Iterable, Mapping
from functools import cache
from itertools import compress
from operator import attrgetter, is_not
from types import MappingProxyType

from dustcake.core.setpoints import AlarmName
from dustcake.core.state import State

_SAMPLE, _HEADER, _CONTACTS = "sample", "header", "contacts"
_BLOWER, _ZERO, _OUTPUTS = "blower", "zero", "outputs"
_DOUBTS, _FINDINGS = "trust.doubts", "diagnosis.findings"

WATCHED: Mapping[AlarmName, tuple[str, ...]] = MappingProxyType(
    {
        AlarmName.HIGH_DP: (_SAMPLE, _ZERO),
        AlarmName.LOW_DP: (_SAMPLE, _ZERO, _BLOWER, "log_book.filters_changed_s"),
        AlarmName.CLEANING_NOT_EFFECTIVE: ("cleaning.not_effective",),
        AlarmName.HEADER_PRESSURE_LOW: (_HEADER, _BLOWER),
        AlarmName.HEADER_TRANSMITTER_FAULT: (_HEADER,),
        AlarmName.TRANSMITTER_FAULT: (_SAMPLE, _DOUBTS, _ZERO),
        AlarmName.OUTPUTS_LOST: (_OUTPUTS, "pulsing.failures", _BLOWER),
        AlarmName.VALVE_STUCK_OPEN: (_OUTPUTS, _FINDINGS),
        AlarmName.SMOKE: (_CONTACTS,),
        AlarmName.JOURNAL_FAULT: ("journal",),
        AlarmName.FIELDBUS_LOST: (_SAMPLE, _HEADER, _CONTACTS),
        AlarmName.BLOWER_NOT_PROVED: (_CONTACTS, _BLOWER),
        AlarmName.DRUM_FULL: (_CONTACTS,),
        AlarmName.SENSING_LINE_SUSPECT: (_DOUBTS,),
        AlarmName.ZERO_DRIFT: (_DOUBTS,),
        AlarmName.VALVE_DOES_NOT_FIRE: (_FINDINGS,),
        AlarmName.HEADER_NOT_RECOVERING: (_FINDINGS,),
        AlarmName.FILTER_TORN: (_FINDINGS, _DOUBTS),
        AlarmName.ROW_NOT_RECOVERING: (_FINDINGS,),
    }
)
"""What of the state each alarm, and what suppresses it, depends on. Those whose condition depends
on the time as well are not here: they may change at any step. One that is suppressed for a time is
looked at all along."""

RESTS_ON: Mapping[AlarmName, tuple[str, ...]] = MappingProxyType(
    {
        AlarmName.FILTER_REPLACEMENT: ("dp", "blower_running"),
        AlarmName.HIGH_DP: ("dp",),
        AlarmName.LOW_DP: ("dp", "blower_running"),
        AlarmName.HEADER_PRESSURE_LOW: ("header",),
        AlarmName.SMOKE: ("smoke",),
        AlarmName.DRUM_FULL: ("drum_full",),
        AlarmName.BLOWER_NOT_PROVED: ("blower_running", "process_running", "smoke", "stop"),
    }
)
"""The signals without which an alarm cannot be judged: a lost reply holds its delays."""

_PARTS = tuple(sorted({part for parts in WATCHED.values() for part in parts}))
_SAMPLE_PLACE = _PARTS.index(_SAMPLE)
_WATCHING = tuple(
    frozenset(name for name, parts in WATCHED.items() if part in parts) for part in _PARTS
)
_AT_ANY_STEP = frozenset(AlarmName) - WATCHED.keys()
PLACE = MappingProxyType({name: place for place, name in enumerate(AlarmName)})
"""Where each alarm stands among those of the state, and of the settings."""

_parts_of = attrgetter(*_PARTS)


def in_order(names: Iterable[AlarmName]) -> tuple[AlarmName, ...]:
    """Each of the names once, in the order of the alarms."""
    return tuple(sorted(set(names), key=PLACE.__getitem__))


def touched(before: State, state: State) -> tuple[AlarmName, ...]:
    """The alarms that may have changed from one state to another, under the same settings."""
    changed = list(map(is_not, _parts_of(before), _parts_of(state)))
    if changed[_SAMPLE_PLACE]:
        changed[_SAMPLE_PLACE] = not _reads_alike(before, state)
    return _watching(tuple(changed))


@cache
def _watching(changed: tuple[bool, ...]) -> tuple[AlarmName, ...]:
    return in_order(_AT_ANY_STEP.union(*compress(_WATCHING, changed)))


def _reads_alike(before: State, state: State) -> bool:
    """Whether a reading tells an alarm nothing new: it is within what was promised."""
    quiet, was, now = before.quiet, before.sample, state.sample
    if quiet is None or now.pa is None:
        return False
    if now.quality is not was.quality or now.reasons != was.reasons:
        return False
    return quiet.covers_pa(now.pa)
