"""Which alarms a step can have changed anything for: those that watch what it has changed."""

from collections.abc import Mapping
from functools import cache
from operator import attrgetter, is_
from types import MappingProxyType

from dustcake.core.setpoints import AlarmName
from dustcake.core.state import State

_SAMPLE, _HEADER, _CONTACTS = "sample", "header", "contacts"
_BLOWER, _ZERO, _OUTPUTS = "blower", "zero", "outputs"
_DOUBTS, _FINDINGS = "trust.doubts", "diagnosis.findings"

WATCHED: Mapping[AlarmName, tuple[str, ...]] = MappingProxyType(
    {
        AlarmName.HIGH_DP: (_SAMPLE, _ZERO),
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
"""What of the state each alarm, and what suppresses it, depends on. Those that depend on the time
as well are not here: they may change at any step."""

_PARTS = tuple(sorted({part for parts in WATCHED.values() for part in parts}))
_parts_of = attrgetter(*_PARTS)


def touched(before: State, state: State) -> frozenset[AlarmName]:
    """The alarms that may have changed from one state to another, under the same settings."""
    return _watching(tuple(map(is_, _parts_of(before), _parts_of(state))))


@cache
def _watching(kept: tuple[bool, ...]) -> frozenset[AlarmName]:
    changed = {part for part, same in zip(_PARTS, kept, strict=True) if not same}
    return frozenset(
        name for name in AlarmName if name not in WATCHED or changed.intersection(WATCHED[name])
    )
