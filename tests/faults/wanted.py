"""The cells of the table that a campaign of the size of CI's must reach."""

from itertools import product

from dustcake.core.alarms.names import TABLE, AlarmName, AlarmState, Trigger
from dustcake.core.cleaning.state import RunKind
from dustcake.core.events import (
    EVENTS,
    AlarmChanged,
    CleaningStarted,
    CleaningStopped,
    FilterLifeChanged,
    FindingChanged,
)
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode
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
    AlarmName.ZERO_DRIFT,
)
"""Alarms of what the answers to pulses, or ten polls at rest, tell. A poll a minute sees no answer,
and people seldom leave a blower so long; their own tests do."""
BY_CHANCE = (Trigger.SHELVE, Trigger.REMOVE, Trigger.DISABLE)
"""What people, or other settings, do to an alarm in any state: each state is not waited for."""

STARTED = {
    RunKind.ON_DEMAND: Because.HIGH_REACHED,
    RunKind.TIMED: Because.TIMED_SELECTED,
    RunKind.FALLBACK: Because.BAD_READING_FALLBACK,
    RunKind.DOWNTIME: Because.DOWNTIME,
}

# What ends each kind of run. A run of seconds, as fallback and downtime cleaning mostly are, ends
# for some reasons so seldom that not even thousands of days need show it; the core's own tests do.
STOPPED = {
    RunKind.ON_DEMAND: (
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
    RunKind.TIMED: (
        Because.BELOW_HIGH,
        Because.BLOWER_OFF,
        Because.FLOW_NOT_PROVED,
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
    RunKind.FALLBACK: (
        Because.BELOW_HIGH,
        Because.HIGH_REACHED,
        Because.ON_DELAY,
        Because.RESTING,
        Because.RESTARTED,
    ),
    RunKind.DOWNTIME: (Because.DOWNTIME_DONE, Because.RESTARTED),
}

PHASES_REACHED = {
    Mode.OFF: (Phase.OFF,),
    Mode.ON_DEMAND: tuple(phase for phase in Phase if phase is not Phase.OFF),
    # Timed cleaning has no limit of cycles after which to rest.
    Mode.TIMED: tuple(phase for phase in Phase if phase not in (Phase.OFF, Phase.RESTING)),
}

SELDOM = {
    # Less than once in two hundred days; the core's own tests have them.
    ("alarm", "low_dp: returned -> unacknowledged"),
    ("cleaning stopped", "downtime: restarted"),
    ("event", "zero_abandoned"),
}

CANNOT_SUSPEND = {
    ("crash at await", label)
    for label in (
        # Suspend only with a queue of 64 inputs full: more than come in the longest stall here.
        "engine.post: self._queue.put(make)",
        "engine.request: self.post(stamped)",
        # Only after a bug: a day that meets one has failed.
        "engine.run: self._actuator.last_off()",
        "actuator.last_off: asyncio.wait([task])",
        # Only after a damaged card, which has crashes of its own, at commits and renames.
        "engine._start: self._journal.last_seq(self._setpoints.collector)",
        "store.last_seq: self._database.run(lambda connection: number_of(connection, ",
        # Nobody asks for metrics or commissions here.
        "store.waiting: self._database.run(lambda connection: dict(connection.execut",
        "request_service.answer_local: commission[name](content, f'local:{by}')",
        # Needs an acknowledgement just while the disk fails.
        "outbox.delivered: self.settle()",
    )
}


def wanted_cells() -> set[Cell]:
    """All of them."""
    told_apart = (AlarmChanged, CleaningStarted, CleaningStopped)
    # A finding needs quicker polls, a forecast more than a day.
    bodies = set(EVENTS.values()) - {*told_apart, FindingChanged, FilterLifeChanged}
    wanted = {
        *(
            ("alarm", f"{name}: {before} -> {after}")
            for name, (before, after) in product(AlarmName, ALARM_TRANSITIONS)
            if name not in NEED_QUICKER_POLLS
        ),
        *(
            ("alarm table", f"{before} -> {after}")
            for (before, trigger), after in TABLE.items()
            if trigger not in BY_CHANCE
        ),
        *(("cleaning started", f"{kind}: {reason}") for kind, reason in STARTED.items()),
        *(
            ("cleaning stopped", f"{kind}: {reason}")
            for kind, reasons in STOPPED.items()
            for reason in reasons
        ),
        *(("event", body.name) for body in bodies),
        *(("confirmed", code) for code in (Because.DONE, Because.NO_SUCH_CHANGE)),
        ("confirmed", Because.CHANGE_OF_ANOTHER),
        *(("phase", f"{mode}: {p}") for mode, phases in PHASES_REACHED.items() for p in phases),
        *(("fault in mode", f"{name}: {mode}") for name, mode in product((*WINDOWS, *BLOWS), Mode)),
        *(
            ("fault in phase", f"{name}: {phase}")
            for name, phase in product((*WINDOWS, *BLOWS), dict.fromkeys(PHASES.values()))
        ),
        *(("crash", where) for where in (*CUTS, "between commits")),
        *(("damage", what) for what in DAMAGES),
        *(("end", how) for how in ("in order", "refused")),
        ("retained topics", "compared"),
        *(await_cells() - CANNOT_SUSPEND),
    }
    return wanted - SELDOM
