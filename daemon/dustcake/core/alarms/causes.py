"""Which alarm explains which: one fault should make one alarm, the one to act on.

Declared, not inferred. A consequence that comes up while its cause stands is suppressed, visibly
and with the cause named; when the cause has gone and it still stands, it is told. High dP is not
explained by anything: that fume may escape needs an answer of its own, whatever the cause.
Common practice, no source.
"""

from collections.abc import Mapping
from graphlib import TopologicalSorter
from types import MappingProxyType

from dustcake.core.setpoints import AlarmName

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
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        AlarmName.FILTER_TORN: (AlarmName.LOW_DP,),
        # One open valve empties the header.
        AlarmName.VALVE_STUCK_OPEN: (
            AlarmName.HEADER_PRESSURE_LOW,
            AlarmName.HEADER_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        # Pulses that are not fired, or have no air, clean nothing.
        AlarmName.OUTPUTS_LOST: (
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        AlarmName.HEADER_PRESSURE_LOW: (
            AlarmName.HEADER_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        AlarmName.HEADER_NOT_RECOVERING: (
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        # One row less to clean.
        AlarmName.VALVE_DOES_NOT_FIRE: (
            AlarmName.ROW_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        # What lies in the cone is raised again by the next pulse.
        AlarmName.DRUM_FULL: (AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT),
        # Filters that no longer recover are why cleaning does not reach its set point.
        AlarmName.FILTER_REPLACEMENT: (
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
    }
)


def _causes() -> dict[AlarmName, tuple[AlarmName, ...]]:
    return {
        name: tuple(cause for cause, explained in EXPLAINS.items() if name in explained)
        for name in AlarmName
    }


CAUSES: Mapping[AlarmName, tuple[AlarmName, ...]] = MappingProxyType(_causes())
"""The causes of each alarm, in the order they are named when several stand."""


# Raises graphlib.CycleError, were alarms declared to explain each other in a circle.
CAUSES_FIRST: tuple[AlarmName, ...] = tuple(TopologicalSorter(CAUSES).static_order())
"""Every alarm, after all that could explain it."""
