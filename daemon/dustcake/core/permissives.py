"""What must hold before a pulse, each with its reason."""

from enum import StrEnum
from functools import cache

from dustcake.core.blower import BlowerState
from dustcake.core.outputs import OutputsState
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.signals import Contacts


class Met(StrEnum):
    """State of a permissive."""

    YES = "yes"
    NO = "no"
    NOT_FITTED = "not_fitted"


@record
class Permissive:
    """``reason`` where it is missing. ``holds_only``: while missing it withholds pulses but does
    not end a cleaning run."""

    name: str
    met: Met
    reason: Reason | None = None
    holds_only: bool = False


@cache
def _yes(name: str) -> Permissive:
    """Made once: most are met at most steps."""
    return Permissive(name, Met.YES)


@cache
def _not_fitted(name: str) -> Permissive:
    return Permissive(name, Met.NOT_FITTED)


def permissives(
    setpoints: Setpoints,
    *,
    sample: Sample,
    header: Sample | None,
    contacts: Contacts,
    blower: BlowerState,
    outputs: OutputsState,
    journal_fault: str | None,
    settling: bool,
) -> tuple[Permissive, ...]:
    """All permissives, in the order they are shown. ``journal_fault``: None when writable.

    Which of them a kind of cleaning needs is decided in ``cleaning``: a valid reading is needed
    to clean on demand only, and downtime cleaning needs the blower off, not running.
    """
    fitted = setpoints.fitted
    return (
        _valid_reading(sample),
        _blower_running(blower, fitted.blower_running),
        _contact("no_smoke", "smoke", fitted.smoke, contacts.smoke, Because.SMOKE),
        _contact("no_stop", "stop input", fitted.stop, contacts.stop, Because.STOP_INPUT),
        _contact("door_shut", "door", fitted.door_open, contacts.door_open, Because.DOOR_OPEN),
        _header_pressure(setpoints, header),
        _outputs_healthy(outputs),
        _unless(
            "journal_writable", journal_fault is not None, Because.JOURNAL_FAULT, journal_fault
        ),
        _settled(setpoints, settling),
    )


def missing_of(permits: tuple[Permissive, ...]) -> tuple[Permissive, ...]:
    """Those that are fitted and not met."""
    return tuple([p for p in permits if p.met is Met.NO])


def _unless(name: str, missing: bool, code: Because, detail: str | None = "") -> Permissive:
    if missing:
        return Permissive(name, Met.NO, because(code, detail or ""))
    return _yes(name)


def _settled(setpoints: Setpoints, settling: bool) -> Permissive:
    if not settling:
        return _yes("settled")
    reason = because(Because.SETTLING, settle_s=setpoints.settle_s)
    return Permissive("settled", Met.NO, reason, holds_only=True)


def _valid_reading(sample: Sample) -> Permissive:
    """A bad reading withholds pulses at once; when it ends a run, ``cleaning`` decides."""
    if sample.usable_pa is not None:
        return _yes("valid_reading")
    return Permissive("valid_reading", Met.NO, sample.reasons[0], holds_only=True)


def _blower_running(blower: BlowerState, contact_fitted: bool) -> Permissive:
    if blower.running:
        return _yes("blower_running")
    if not contact_fitted:
        return _not_fitted("blower_running")
    if blower.running is None:
        return Permissive(
            "blower_running", Met.NO, because(Because.BLOWER_UNKNOWN), holds_only=True
        )
    return Permissive("blower_running", Met.NO, because(Because.BLOWER_OFF))


def _contact(
    name: str, label: str, fitted: bool, present: bool | None, code: Because
) -> Permissive:
    """A contact that must be read and must not be made. While it cannot be read no pulse is fired,
    but one lost reply does not end a run."""
    if not fitted:
        return _not_fitted(name)
    if present is None:
        reason = because(Because.CONTACT_UNREADABLE, label)
        return Permissive(name, Met.NO, reason, holds_only=True)
    return _unless(name, present, code)


def _header_pressure(setpoints: Setpoints, header: Sample | None) -> Permissive:
    """Header pressure in its band. One that is not known does not withhold pulses: a pulse from
    a weak header does no harm, filters that are not cleaned let fume escape; an alarm tells."""
    name, limits = "header_pressure", setpoints.header_limits
    if setpoints.header is None:
        return _not_fitted(name)
    header_pa = None if header is None else header.usable_pa
    if header_pa is None:
        return _yes(name)
    if header_pa < limits.min_pa:
        reason = because(Because.HEADER_LOW, min_pa=limits.min_pa)
        return Permissive(name, Met.NO, reason, holds_only=True)
    if header_pa > limits.max_pa:
        reason = because(Because.HEADER_HIGH, max_pa=limits.max_pa)
        return Permissive(name, Met.NO, reason, holds_only=True)
    return _yes(name)


def _outputs_healthy(outputs: OutputsState) -> Permissive:
    """Outputs proved off. A fault withholds pulses; if it ended the run, one valve that fails in
    every cycle would begin a new run each time, and no run would come to its limit of cycles."""
    if outputs.proved:
        return _yes("outputs_healthy")
    reason = because(Because.OUTPUTS_UNPROVED)
    if outputs.fault:
        reason = because(Because.OUTPUTS_FAULT, outputs.fault)
    return Permissive("outputs_healthy", Met.NO, reason, holds_only=True)
