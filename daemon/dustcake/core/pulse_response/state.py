"""What is observed of a pulse, and what is remembered from pulse to pulse."""

from enum import StrEnum

from dustcake.core.reasons import Reason
from dustcake.core.record import record


class FindingName(StrEnum):
    """What can be found."""

    VALVE_DOES_NOT_FIRE = "valve_does_not_fire"
    VALVE_STUCK_OPEN = "valve_stuck_open"
    HEADER_WEAK = "header_weak"
    HEADER_SLOW = "header_slow"
    HEADER_NOT_REFILLED = "header_not_refilled"
    FILTER_TORN = "filter_torn"
    ROW_NOT_RECOVERING = "row_not_recovering"


@record
class Finding:
    """One finding that stands. ``valve``: which valve or row, 0 where it is not known or where
    all are meant; ``reason``: the evidence when it was made."""

    name: FindingName
    valve: int
    reason: Reason


@record
class PulseObservation:
    """A pulse whose response is awaited.

    ``dp_pa`` and ``header_pa``: before it, None where not known. ``rise_pa``: how far dP had risen
    before this on-demand run, None where there is no cake to be sure of. ``dip``: part
    of its pressure that the header lacked at the first poll after it, ``dip_after_s`` later;
    ``later_dip``: at the second poll. ``dip_due``: one of these polls has not come yet.
    """

    valve: int
    began_s: float
    due_s: float
    dp_pa: float | None
    header_pa: float | None
    rise_pa: float | None
    dip: float | None = None
    dip_due: bool = False
    dip_after_s: float = 0.0
    later_dip: float | None = None
    later_after_s: float = 0.0


@record
class Response:
    """What one pulse did. Effects are shares of the value before the pulse, None where not known.

    ``response``: by how much dP fell; ``noise``: standard deviation of that without any effect.
    ``dip``, ``header_noise``: the same of the header, as it would have been read a second after the
    pulse. ``rise``:
    by how much dP had risen before this run, only in its first cycle.
    """

    valve: int
    dp_pa: float | None
    after_pa: float | None
    response: float | None
    noise: float
    rise: float | None
    dip: float | None
    header_noise: float
    header_pa: float | None
    header_after_pa: float | None


@record
class ValveRecord:
    """One valve and its row. Effects are shares of dP, or of header pressure, before the pulse.

    ``response``, ``dip``: of its last pulse, None before the first. ``share``: its usual response
    as a share of that of the others, from ``learnt`` pulses. ``no_dip``, ``no_response``: evidence.
    """

    response: float | None = None
    dip: float | None = None
    share: float = 1.0
    learnt: int = 0
    no_dip: float = 0.0
    no_response: float = 0.0


@record
class HeaderRecord:
    """``rest_pa``: before the first pulse of the last run; ``usual_pa``: what that usually is, from
    ``rests`` runs. ``dip``: usual dip over all valves, from ``dips`` pulses; ``no_dip``: evidence
    that no valve fires at all. ``recovery_per_s``: at which a dip recovers, as an exponential, from
    ``recoveries`` pulses. ``slow``, ``weak``: pulses that began too low, less those that
    did not; ``empty``: pulses in a row after which it did not fill."""

    rest_pa: float | None = None
    usual_pa: float = 0.0
    rests: int = 0
    dip: float = 0.0
    dips: int = 0
    no_dip: float = 0.0
    slow: int = 0
    weak: int = 0
    empty: int = 0
    recovery_per_s: float = 0.0
    recoveries: int = 0


@record
class CleanedRecord:
    """``pa``: what dP usually comes back to after a pulse, from ``count`` of them. ``armed``: dP
    has been as high as that since rows were last cleaned without flow; ``low_s``: since when it
    has been too low for these filters; ``row``: whose pulse brought it there, 0 if none did."""

    pa: float = 0.0
    count: int = 0
    armed: bool = False
    low_s: float | None = None
    row: int = 0


@record
class PulseResponseState:
    """``noise_pa2``, ``header_noise_pa2``: variance of single readings, None before the first.
    ``last_s``: when the last pulse began, ``last_pa``: dP after it. ``start_pa``: dP when the last
    run began, ``rise_pa``: how far it had risen to that. ``response``: usual response
    to a pulse in the first cycle of an on-demand run, from ``responses``; ``no_ripple``: evidence
    that dP responds to no pulse at all. ``mean_response``: over all rows and every kind of run,
    from ``means`` pulses."""

    valves: tuple[ValveRecord, ...]
    observation: PulseObservation | None = None
    header: HeaderRecord = HeaderRecord()
    cleaned: CleanedRecord = CleanedRecord()
    noise_pa2: float | None = None
    header_noise_pa2: float | None = None
    last_s: float | None = None
    last_pa: float | None = None
    start_pa: float | None = None
    rise_pa: float | None = None
    response: float = 0.0
    responses: int = 0
    no_ripple: float = 0.0
    mean_response: float = 0.0
    means: int = 0
    findings: tuple[Finding, ...] = ()


def nothing_known(valves: int) -> PulseResponseState:
    """The state of a collector with so many valves before its first pulse."""
    return PulseResponseState(tuple(ValveRecord() for _ in range(valves)))
