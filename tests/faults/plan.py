"""What goes wrong in one day, drawn from its seed."""

from dataclasses import dataclass
from random import Random

from dustcake.core.setpoints import OutputKind, Setpoints

DAY_S = 86_400.0
CALM_S = 2.0 * 3600  # at the end of the day everything is in order again

SHORT, MIDDLE, LONG = (30.0, 300.0), (120.0, 1800.0), (900.0, 7200.0)
WINDOWS: dict[str, tuple[float, float]] = {
    # the transmitter and what it reads
    "poll_lost": MIDDLE,
    "garbled": MIDDLE,
    "late_reply": MIDDLE,
    "not_a_number": MIDDLE,
    "beyond_span": MIDDLE,
    "signal_stuck": LONG,
    "lines_swapped": LONG,
    "zero_shifted": LONG,
    "contacts_lost": MIDDLE,
    "header_low": MIDDLE,
    "header_high": MIDDLE,
    "header_fault": MIDDLE,
    # the collector
    "smoke": MIDDLE,
    "door_open": MIDDLE,
    "stop_input": MIDDLE,
    "drum_full": MIDDLE,
    "blower_stopped": LONG,
    "process_stopped": LONG,
    "worn": LONG,
    "blinded": LONG,
    "torn": LONG,
    # the outputs
    "outputs_silent": MIDDLE,
    "valve_stuck": MIDDLE,
    "report_late": MIDDLE,
    # the broker
    "broker_away": (900.0, 28_800.0),
    "ack_lost": MIDDLE,
    # the clock
    "clock_unset": LONG,
    # the card
    "disk_full": MIDDLE,
    "disk_readonly": MIDDLE,
    "disk_error": SHORT,
    "disk_slow": MIDDLE,
    "disk_dying": MIDDLE,
}
"""Faults that last, and for how long."""

BLOWS = (
    "kill",
    "kill",
    "kill_in_commit",
    "power_cut",
    "power_cut_in_commit",
    "sigterm",
    "killed_while_stopping",
    "settings_changed",
    "card_damaged",
    "clock_forward",
    "clock_back",
    "broker_cut",
    "request",
    "request",
    "request_of_alarm",
    "request_of_alarm",
    "request_twice",
)
"""Faults of an instant, and what people do."""

TRIGGERS = (
    *("", "", "pulse", "pulse", "command", "report"),
    *("commit", "committed", "told", "barred", "barred", "barred"),
)
"""What a fault waits for, so that it strikes where it hurts; empty: nothing."""

OUTPUT_FAULTS = ("outputs_silent", "valve_stuck", "report_late")
DISK_FAULTS = ("disk_full", "disk_readonly", "disk_error", "disk_slow", "disk_dying")


@dataclass(frozen=True)
class Fault:
    """``name`` strikes at ``at_s``, or when after that ``trigger`` comes; ``lasts_s`` 0: a blow."""

    name: str
    at_s: float
    lasts_s: float
    trigger: str


def draw(rng: Random, setpoints: Setpoints) -> list[Fault]:
    """The faults of one day, in the order of their times."""
    until_s = DAY_S - CALM_S
    names = [name for name in WINDOWS if _can_befall(name, setpoints)]
    faults = []
    for _ in range(rng.randint(5, 12)):
        name = rng.choice(names)
        shortest_s, longest_s = WINDOWS[name]
        lasts_s = shortest_s * (longest_s / shortest_s) ** rng.random()
        faults.append(Fault(name, rng.uniform(0, until_s), lasts_s, rng.choice(TRIGGERS)))
    faults += [
        Fault(rng.choice(BLOWS), rng.uniform(0, until_s), 0.0, rng.choice(TRIGGERS))
        for _ in range(rng.randint(3, 9))
    ]
    return sorted(faults, key=lambda fault: fault.at_s)


def _can_befall(name: str, setpoints: Setpoints) -> bool:
    fitted = setpoints.fitted
    needs = {
        "smoke": fitted.smoke,
        "door_open": fitted.door_open,
        "stop_input": fitted.stop,
        "drum_full": fitted.drum_full,
        "process_stopped": fitted.process_running,
        "header_low": setpoints.header is not None,
        "header_high": setpoints.header is not None,
        "header_fault": setpoints.header is not None,
        "worn": setpoints.pulsing.kind is not OutputKind.DEMAND_CONTACT or fitted.blower_running,
    }
    return needs.get(name, True)
