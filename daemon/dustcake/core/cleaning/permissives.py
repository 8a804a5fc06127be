"""What must hold before a pulse, each with its reason."""

from collections.abc import Iterator
from functools import cache

from dustcake.core.cleaning.state import Met, Permissive
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import OutputsState, State
from dustcake.core.step_context import StepContext


def permissives(
    context: StepContext, state: State
) -> tuple[tuple[Permissive, ...], tuple[Permissive, ...]]:
    """All permissives, in the order they are shown, and those of them that are missing.

    Which of them a kind of cleaning needs is decided in ``runs``: a valid reading is needed to
    clean on demand only, and downtime cleaning needs the blower off, not running.
    """
    every = tuple(_judged(context, state))
    return every, tuple(permissive for permissive in every if permissive.met is Met.NO)


def _judged(context: StepContext, state: State) -> Iterator[Permissive]:
    setpoints, contacts, fault = context.setpoints, state.contacts, state.journal.fault
    fitted, settle_s = setpoints.fitted, setpoints.settle_s
    # A bad reading withholds pulses at once; when it ends a run, ``runs`` decides.
    bad = None if state.sample.usable_pa is not None else state.sample.reasons[0]
    yield _permissive("valid_reading", bad, holds_only=True)
    yield _blower_running(setpoints, state)
    yield _contact("no_smoke", "smoke", fitted.smoke, contacts.smoke, Because.SMOKE)
    yield _contact("no_stop", "stop input", fitted.stop, contacts.stop, Because.STOP_INPUT)
    yield _contact("door_shut", "door", fitted.door_open, contacts.door_open, Because.DOOR_OPEN)
    pressure = _header_out_of_band(setpoints, state.header_pa)
    yield _permissive("header_pressure", pressure, setpoints.header is not None, holds_only=True)
    yield _permissive("outputs_healthy", _outputs_unproved(state.outputs), holds_only=True)
    unwritable = None if fault is None else because(Because.JOURNAL_FAULT, fault)
    yield _permissive("journal_writable", unwritable)
    settled = context.is_due(state.started_s + settle_s)
    settling = None if settled else because(Because.SETTLING, settle_s=settle_s)
    yield _permissive("settled", settling, holds_only=True)


_shared = cache(Permissive)


def _permissive(
    name: str, reason: Reason | None, fitted: bool = True, *, holds_only: bool = False
) -> Permissive:
    """``reason``: why it is missing, None where it is not."""
    if not fitted:
        return _shared(name, Met.NOT_FITTED)
    if reason is None:
        return _shared(name, Met.YES)
    return Permissive(name, Met.NO, reason, holds_only)


def _blower_running(setpoints: Setpoints, state: State) -> Permissive:
    """By what is read now: the proof of flow holds through a lost reply, a pulse waits. Without a
    contact a low reading withholds pulses at once; when it ends a run, ``runs`` decides."""
    name, running = "blower_running", state.blower.running is True
    if setpoints.fitted.blower_running:
        contact = state.contacts.blower_running
        if contact is None:
            return _permissive(name, because(Because.BLOWER_UNKNOWN), holds_only=True)
        return _permissive(name, None if contact and running else because(Because.BLOWER_OFF))
    if running and state.sample.usable_pa is not None:
        return _permissive(name, None)
    # A plant may be set to be cleaned by time without a proof of flow.
    needed = not (setpoints.blower.timed_unproved and state.mode is Mode.TIMED)
    unproved = because(Because.FLOW_NOT_PROVED, flow_proof_pa=setpoints.blower.flow_proof_pa)
    return _permissive(name, unproved, needed, holds_only=True)


def _contact(name: str, label: str, fitted: bool, made: bool | None, code: Because) -> Permissive:
    """A contact that must be read and must not be made. While it cannot be read no pulse is fired,
    but one lost reply does not end a run."""
    if fitted and made is None:
        unreadable = because(Because.CONTACT_UNREADABLE, label)
        return _permissive(name, unreadable, holds_only=True)
    return _permissive(name, because(code) if made else None, fitted)


def _header_out_of_band(setpoints: Setpoints, header_pa: float | None) -> Reason | None:
    """A pressure that is not known does not withhold pulses: a pulse from a weak header does no
    harm, filters that are not cleaned let fume escape; there is an alarm."""
    limits = setpoints.header_limits
    if header_pa is None or limits.min_pa <= header_pa <= limits.max_pa:
        return None
    if header_pa < limits.min_pa:
        return because(Because.HEADER_LOW, min_pa=limits.min_pa)
    return because(Because.HEADER_HIGH, max_pa=limits.max_pa)


def _outputs_unproved(outputs: OutputsState) -> Reason | None:
    """A fault withholds pulses; if it ended the run, one valve that fails in every cycle would
    begin a new run each time, and no run would come to its limit of cycles."""
    if outputs.proved:
        return None
    if outputs.fault:
        return because(Because.OUTPUTS_FAULT, outputs.fault)
    return because(Because.OUTPUTS_UNPROVED)
