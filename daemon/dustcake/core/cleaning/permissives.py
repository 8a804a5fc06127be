"""What must hold before a pulse, each with its reason."""

from functools import cache

from dustcake.core.cleaning.state import Met, Permissive
from dustcake.core.inputs import Contacts
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Fitted, Setpoints
from dustcake.core.state import OutputsState, State
from dustcake.core.step_context import StepContext


def permissives(
    context: StepContext, state: State
) -> tuple[tuple[Permissive, ...], tuple[Permissive, ...]]:
    """All permissives, in the order they are shown, and those of them that are missing.

    Which of them a kind of cleaning needs is decided in ``runs``: a valid reading is needed to
    clean on demand only, and downtime cleaning needs the blower off, not running.
    """
    setpoints, contacts, sample = context.setpoints, state.contacts, state.sample
    fitted, header, missing = setpoints.fitted, state.header, []
    if sample.usable_pa is None:
        # A bad reading withholds pulses at once; when it ends a run, ``runs`` decides.
        missing.append(_missing("valid_reading", sample.reasons[0], holds_only=True))
    by_contact = fitted.blower_running
    # The proof of flow holds through a lost reply; a pulse waits for what is known now.
    known = bool(contacts.blower_running) if by_contact else sample.usable_pa is not None
    flow_proved = state.blower.running is True and known
    if not flow_proved:
        # Without a contact, a plant may be set to be cleaned by time without a proof of flow.
        if by_contact:
            missing.append(_blower_running(contacts))
        elif not (setpoints.blower.timed_unproved and state.mode is Mode.TIMED):
            missing.append(_flow_not_proved(setpoints))
    if fitted.smoke and contacts.smoke is not False:
        missing.append(_contact("no_smoke", "smoke", contacts.smoke, Because.SMOKE))
    if fitted.stop and contacts.stop is not False:
        missing.append(_contact("no_stop", "stop input", contacts.stop, Because.STOP_INPUT))
    if fitted.door_open and contacts.door_open is not False:
        missing.append(_contact("door_shut", "door", contacts.door_open, Because.DOOR_OPEN))
    if setpoints.header is not None and header is not None:
        missing += _header_pressure(setpoints, header)
    if not state.outputs.proved:
        missing.append(_outputs_healthy(state.outputs))
    if state.journal.fault is not None:
        reason = because(Because.JOURNAL_FAULT, state.journal.fault)
        missing.append(_missing("journal_writable", reason))
    if not context.is_due(state.started_s + setpoints.settle_s):
        reason = because(Because.SETTLING, settle_s=setpoints.settle_s)
        missing.append(_missing("settled", reason, holds_only=True))
    in_order = all_in_order(fitted, setpoints.header is not None, by_contact or flow_proved)
    if not missing:
        return in_order, ()
    by_name = {each.name: each for each in missing}
    return tuple(by_name.get(each.name, each) for each in in_order), tuple(missing)


@cache
def all_in_order(fitted: Fitted, header: bool, blower_known: bool) -> tuple[Permissive, ...]:
    """All permissives where none is missing. ``blower_known``: by its contact, or proved by dP."""
    has = {
        "valid_reading": True,
        "blower_running": blower_known,
        "no_smoke": fitted.smoke,
        "no_stop": fitted.stop,
        "door_shut": fitted.door_open,
        "header_pressure": header,
        "outputs_healthy": True,
        "journal_writable": True,
        "settled": True,
    }
    return tuple(Permissive(name, Met.YES if is_ else Met.NOT_FITTED) for name, is_ in has.items())


def _missing(name: str, reason: Reason, *, holds_only: bool = False) -> Permissive:
    return Permissive(name, Met.NO, reason, holds_only)


def _blower_running(contacts: Contacts) -> Permissive:
    """By the contact as it is read now: what is only held fires no pulse."""
    if contacts.blower_running is None:
        return _missing("blower_running", because(Because.BLOWER_UNKNOWN), holds_only=True)
    return _missing("blower_running", because(Because.BLOWER_OFF))


def _flow_not_proved(setpoints: Setpoints) -> Permissive:
    """It withholds pulses at once. When it ends a run, ``runs`` decides: not one
    low reading."""
    reason = because(Because.FLOW_NOT_PROVED, flow_proof_pa=setpoints.blower.flow_proof_pa)
    return _missing("blower_running", reason, holds_only=True)


def _contact(name: str, label: str, present: bool | None, code: Because) -> Permissive:
    """A contact that must be read and must not be made. While it cannot be read no pulse is fired,
    but one lost reply does not end a run."""
    if present is None:
        return _missing(name, because(Because.CONTACT_UNREADABLE, label), holds_only=True)
    return _missing(name, because(code))


def _header_pressure(setpoints: Setpoints, header: Sample) -> list[Permissive]:
    """Header pressure in its band. One that is not known does not withhold pulses: a pulse from
    a weak header does no harm, filters that are not cleaned let fume escape; there is an alarm."""
    limits, header_pa = setpoints.header_limits, header.usable_pa
    if header_pa is None or limits.min_pa <= header_pa <= limits.max_pa:
        return []
    if header_pa < limits.min_pa:
        reason = because(Because.HEADER_LOW, min_pa=limits.min_pa)
    else:
        reason = because(Because.HEADER_HIGH, max_pa=limits.max_pa)
    return [_missing("header_pressure", reason, holds_only=True)]


def _outputs_healthy(outputs: OutputsState) -> Permissive:
    """Outputs proved off. A fault withholds pulses; if it ended the run, one valve that fails in
    every cycle would begin a new run each time, and no run would come to its limit of cycles."""
    reason = because(Because.OUTPUTS_UNPROVED)
    if outputs.fault:
        reason = because(Because.OUTPUTS_FAULT, outputs.fault)
    return _missing("outputs_healthy", reason, holds_only=True)
