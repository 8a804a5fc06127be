"""The cells of the table that a campaign of the size of CI's must reach."""

from itertools import product
from typing import get_args

from dustcake.core.alarm_table import TABLE, AlarmState
from dustcake.core.cleaning import Kind
from dustcake.core.events import (
    AlarmChanged,
    Body,
    CleaningStarted,
    CleaningStopped,
    FilterLifeChanged,
    FindingChanged,
)
from dustcake.core.reasons import Because
from dustcake.core.requests import Mode
from dustcake.core.setpoints import AlarmName
from dustcake.core.state import Phase
from faults.disk import CUTS, DAMAGES
from faults.plan import BLOWS, WINDOWS
from faults.reached import Cell, await_cells
from faults.trouble import PHASES

ALARM_TRANSITIONS = (
    (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
    (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
    (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED),
    (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL),
    (AlarmState.RETURNED, AlarmState.NORMAL),
    (AlarmState.RETURNED, AlarmState.UNACKNOWLEDGED),
)

NEED_QUICKER_POLLS = (
    AlarmName.VALVE_DOES_NOT_FIRE,
    AlarmName.HEADER_NOT_RECOVERING,
    AlarmName.ROW_NOT_RECOVERING,
    AlarmName.FILTER_TORN,
)
"""Alarms of what the answers to pulses tell. A poll a minute sees no answer; their own tests do."""

STARTED = {
    Kind.ON_DEMAND: Because.HIGH_REACHED,
    Kind.TIMED: Because.TIMED_SELECTED,
    Kind.FALLBACK: Because.BAD_READING_FALLBACK,
    Kind.DOWNTIME: Because.DOWNTIME,
}

# What ends each kind of run. A run of seconds, as fallback and downtime cleaning mostly are, ends
# for some reasons so seldom that not even thousands of days need show it; the core's own tests do.
STOPPED = {
    Kind.ON_DEMAND: (
        Because.LOW_REACHED,
        Because.LIMIT_OF_CYCLES,
        Because.BAD_READING_FALLBACK,
        Because.BAD_READING_HOLD,
        Because.FALLBACK_NEEDS_BLOWER,
        Because.BLOWER_OFF,
        Because.DOWNTIME_SPIN_DOWN,
        Because.DOOR_OPEN,
        Because.JOURNAL_FAULT,
        Because.MODE_OFF,
        Because.TIMED_SELECTED,
        Because.SMOKE,
        Because.STOP_INPUT,
        Because.STOPPING,
        Because.RESTARTED,
    ),
    Kind.TIMED: (
        Because.BELOW_HIGH,
        Because.BLOWER_OFF,
        Because.DOWNTIME,
        Because.DOWNTIME_SPIN_DOWN,
        Because.DOOR_OPEN,
        Because.HIGH_REACHED,
        Because.JOURNAL_FAULT,
        Because.MODE_OFF,
        Because.SMOKE,
        Because.STOP_INPUT,
        Because.STOPPING,
        Because.RESTARTED,
    ),
    Kind.FALLBACK: (
        Because.BELOW_HIGH,
        Because.HIGH_REACHED,
        Because.ON_DELAY,
        Because.RESTING,
        Because.RESTARTED,
    ),
    Kind.DOWNTIME: (Because.DOWNTIME_DONE, Because.RESTARTED, Because.STOPPING),
}

WHILE = (
    (Mode.OFF, "idle"),
    *product((Mode.ON_DEMAND, Mode.TIMED), dict.fromkeys(PHASES.values())),
)
"""Modes, with the classes of phases each can be in."""

PHASES_REACHED = {
    Mode.OFF: (Phase.OFF,),
    Mode.ON_DEMAND: tuple(phase for phase in Phase if phase is not Phase.OFF),
    # Timed cleaning has no limit of cycles after which to rest.
    Mode.TIMED: tuple(phase for phase in Phase if phase not in (Phase.OFF, Phase.RESTING)),
}

CANNOT_SUSPEND = {
    ("crash at await", label)
    for label in (
        # Suspend only with a queue of 64 inputs full: more than come in the longest stall here.
        "engine.post: self._queue.put(make)",
        "engine.ask: self.post(lambda at: OperatorRequested(at, request, by, requ",
        # Only after a bug: a day that meets one has failed.
        "engine.run: self._actuator.last_off()",
        "actuator.last_off: asyncio.wait([task])",
    )
}


def wanted_cells() -> set[Cell]:
    """All of them."""
    told_apart = (AlarmChanged, CleaningStarted, CleaningStopped)
    # A finding needs quicker polls, a forecast more than a day.
    bodies = set(get_args(Body)) - {*told_apart, FindingChanged, FilterLifeChanged}
    return {
        *(
            ("alarm", f"{name}: {before} -> {after}")
            for name, (before, after) in product(AlarmName, ALARM_TRANSITIONS)
            if name not in NEED_QUICKER_POLLS
        ),
        *(("alarm table", f"{before} -> {after}") for (before, _), after in TABLE.items()),
        *(("cleaning started", f"{kind}: {reason}") for kind, reason in STARTED.items()),
        *(
            ("cleaning stopped", f"{kind}: {reason}")
            for kind, reasons in STOPPED.items()
            for reason in reasons
        ),
        *(("event", body.name) for body in bodies),
        *(("phase", f"{mode}: {p}") for mode, phases in PHASES_REACHED.items() for p in phases),
        *(
            ("fault", f"{name}: {mode}, {phase}")
            for name, (mode, phase) in product((*WINDOWS, *BLOWS), WHILE)
        ),
        *(("crash", where) for where in (*CUTS, "between commits")),
        *(("damage", what) for what in DAMAGES),
        *(("end", how) for how in ("in order", "refused")),
        ("retained topics", "compared"),
        *(await_cells() - CANNOT_SUSPEND),
    }
