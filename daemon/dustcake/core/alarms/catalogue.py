"""Every alarm, once; and all of them followed at each full step, causes before what they explain.

One fault should make one alarm, the one to act on. Which alarm explains which is declared, not
inferred. A consequence that comes up while its cause is active is suppressed, visibly
and with the cause named; when the cause has gone and it is still active, it is raised. High dP is
not explained by anything: that fume may escape needs an answer of its own, whatever the cause.
Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from graphlib import TopologicalSorter
from math import inf
from operator import is_
from types import MappingProxyType

from dustcake.core.alarms import equipment, readings
from dustcake.core.alarms.life import (
    NOT_SUPPRESSED,
    AlarmContext,
    AlarmDefinition,
    follow,
    out_of_use,
)
from dustcake.core.alarms.names import Alarm, AlarmName, AlarmSetting, AlarmState
from dustcake.core.record import replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

_PLACE = {name: place for place, name in enumerate(AlarmName)}
"""Where each alarm is found among those of the state, and of the settings."""

_ENTRIES = {
    entry.name: entry
    for entry in (*vars(readings).values(), *vars(equipment).values())
    if isinstance(entry, AlarmDefinition)
}

CATALOGUE: Mapping[AlarmName, AlarmDefinition] = MappingProxyType(
    {name: _ENTRIES[name] for name in AlarmName}
)
"""Every entry, in the order of ``AlarmName``."""

_CLEANS_LITTLE = (AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT)

EXPLAINS: Mapping[AlarmName, tuple[AlarmName, ...]] = MappingProxyType(
    {
        # All that hangs on the wire is silent at once.
        AlarmName.FIELDBUS_LOST: (
            AlarmName.TRANSMITTER_FAULT,
            AlarmName.HEADER_TRANSMITTER_FAULT,
            AlarmName.OUTPUTS_LOST,
            AlarmName.BLOWER_NOT_PROVED,
        ),
        # A reading that is not that of the filters is read all the same.
        AlarmName.SENSING_LINE_SUSPECT: (
            AlarmName.LOW_DP,
            AlarmName.ZERO_DRIFT,
            AlarmName.FILTER_REPLACEMENT,
            *_CLEANS_LITTLE,
        ),
        AlarmName.FILTER_TORN: (AlarmName.LOW_DP,),
        # One open valve empties the header.
        AlarmName.VALVE_STUCK_OPEN: (
            AlarmName.HEADER_PRESSURE_LOW,
            AlarmName.HEADER_NOT_RECOVERING,
            *_CLEANS_LITTLE,
        ),
        # Pulses that are not fired, or have no air, clean nothing.
        AlarmName.OUTPUTS_LOST: _CLEANS_LITTLE,
        AlarmName.HEADER_PRESSURE_LOW: (AlarmName.HEADER_NOT_RECOVERING, *_CLEANS_LITTLE),
        AlarmName.HEADER_NOT_RECOVERING: _CLEANS_LITTLE,
        # One row less to clean.
        AlarmName.VALVE_DOES_NOT_FIRE: (AlarmName.ROW_NOT_RECOVERING, *_CLEANS_LITTLE),
        # What lies in the cone is raised again by the next pulse.
        AlarmName.DRUM_FULL: _CLEANS_LITTLE,
        # Filters that no longer recover are why cleaning does not reach its set point.
        AlarmName.FILTER_REPLACEMENT: _CLEANS_LITTLE,
    }
)
"""Alarms that, coming up while this one is active, are suppressed with it named as the cause: of
several that are active the first here."""

CAUSES: Mapping[AlarmName, tuple[AlarmName, ...]] = MappingProxyType(
    {
        name: tuple(cause for cause, explained in EXPLAINS.items() if name in explained)
        for name in AlarmName
    }
)

# Raises graphlib.CycleError, were alarms declared to explain each other in a circle.
CAUSES_FIRST: tuple[AlarmName, ...] = tuple(TopologicalSorter(CAUSES).static_order())
"""Every alarm, after all that could explain it."""

_IN_TURN = tuple((_PLACE[name], CATALOGUE[name]) for name in CAUSES_FIRST)


def advance(context: StepContext, state: State) -> State:
    """Follow every alarm."""
    alarms, settings = list(state.alarms), context.setpoints.alarms
    for place, entry in _IN_TURN:
        alarm, setting = alarms[place], settings[place]
        if not setting.enabled:
            alarms[place] = out_of_use(context, alarm, setting)
            continue
        condition = entry.condition(context, state)
        suppressed = entry.suppressed(context, state) if entry.suppressed_by else NOT_SUPPRESSED
        at_rest = alarm.state is AlarmState.NORMAL and alarm.pending_s is None
        followed = condition[0] or suppressed[0] or alarm.condition_active or alarm.relatch
        if at_rest and not followed:
            continue
        cause, held = _cause(entry.name, alarms, settings), _held(context, state, entry)
        inputs = AlarmContext(setting, condition, suppressed, *cause, *held)
        alarms[place] = follow(context, alarm, inputs)
    same = all(map(is_, state.alarms, alarms))
    return state if same else replace(state, alarms=tuple(alarms))


def _cause(
    name: AlarmName, alarms: Sequence[Alarm], settings: Sequence[AlarmSetting]
) -> tuple[AlarmName | None, bool]:
    """The active alarm that explains this one, if any; and whether one is still in its on-delay.
    One out of service explains nothing: what it watches is not to be trusted."""
    undecided = False
    for cause in CAUSES[name]:
        alarm = alarms[_PLACE[cause]]
        if not settings[_PLACE[cause]].enabled or alarm.state is AlarmState.OUT_OF_SERVICE:
            continue
        if alarm.condition_active:
            return cause, False
        undecided = undecided or alarm.pending_s is not None
    return None, undecided


def _held(context: StepContext, state: State, entry: AlarmDefinition) -> tuple[bool, float]:
    """Whether what an alarm rests on is not known now and its delays are held; and when it was
    known again after they had to begin anew, if it was."""
    gaps = [state.line.of(signal) for signal in entry.rests_on]
    resumed_s = max((g.resumed_s for g in gaps if g.resumed_s is not None), default=-inf)
    unknown = [gap for gap in gaps if gap.since_s is not None]
    return bool(unknown) and all(map(context.holds, unknown)), resumed_s


_THRESHOLDS_PA = [each.thresholds_pa for each in CATALOGUE.values() if each.thresholds_pa]
_HEADER_PA = [e.header_thresholds_pa for e in CATALOGUE.values() if e.header_thresholds_pa]


def thresholds_pa(setpoints: Setpoints, _state: State) -> list[float]:
    """Every dP at which an alarm changes its answer."""
    return [pa for of_entry in _THRESHOLDS_PA for pa in of_entry(setpoints)]


def header_thresholds_pa(setpoints: Setpoints, _state: State) -> list[float]:
    """Every header pressure at which one does."""
    return [pa for of_entry in _HEADER_PA for pa in of_entry(setpoints)]
