"""Taking the zero of the dP transmitter, with the blower off."""

from dustcake.core.blower import BlowerState, is_known
from dustcake.core.events import ZeroAbandoned, ZeroTaken
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record, replace
from dustcake.core.requests.kinds import SetZero
from dustcake.core.step_context import StepContext


@record
class ZeroState:
    """``offset_pa``: what the transmitter reads at zero pressure. ``by`` is not empty while a
    zero is being taken: since ``started_s``, from ``n`` readings that add up to ``sum_pa``."""

    offset_pa: float = 0.0
    taken_utc_s: float | None = None
    by: str = ""
    started_s: float = 0.0
    sum_pa: float = 0.0
    n: int = 0

    @property
    def under_way(self) -> bool:
        """A zero is being taken."""
        return self.by != ""


def request(
    context: StepContext,
    zero: ZeroState,
    ask: SetZero,
    by: str,
    blower: BlowerState,
    sample: Sample,
    *,
    cleaning: bool,
) -> tuple[ZeroState, bool, Reason]:
    """Begin, or refuse with the reason."""
    settings = context.setpoints.zeroing
    refusal = _refusal(context, zero, ask, blower, sample)
    if refusal is None and cleaning:
        refusal = because(Because.ZERO_WHILE_CLEANING)
    if refusal is not None:
        return zero, False, refusal
    started = replace(zero, by=by or "unknown", started_s=context.now_s, sum_pa=0.0, n=0)
    return started, True, because(Because.ZERO_STARTED, average_s=settings.average_s)


def _refusal(
    context: StepContext, zero: ZeroState, ask: SetZero, blower: BlowerState, sample: Sample
) -> Reason | None:
    settings = context.setpoints.zeroing
    if zero.under_way:
        return because(Because.ALREADY_ZEROING)
    if context.setpoints.fitted.blower_running:
        if blower.running is not False or context.now_s < blower.since_s + settings.blower_off_s:
            return because(Because.ZERO_BLOWER_NOT_OFF, blower_off_s=settings.blower_off_s)
    elif not ask.blower_off_confirmed:
        return because(Because.ZERO_BLOWER_NOT_CONFIRMED)
    if sample.usable_pa is None:
        return sample.reasons[0]
    return _too_far(context, sample.usable_pa + zero.offset_pa)


def _too_far(context: StepContext, raw_pa: float) -> Reason | None:
    """A transmitter that is far from zero with no flow has a fault that a zero would hide."""
    limit_pa = context.setpoints.zeroing.limit_pa
    if abs(raw_pa) <= limit_pa:
        return None
    return because(Because.ZERO_TOO_FAR, dp_pa=raw_pa, limit_pa=limit_pa)


def add(zero: ZeroState, raw_pa: float) -> ZeroState:
    """One more reading, before the old zero was subtracted."""
    return replace(zero, sum_pa=zero.sum_pa + raw_pa, n=zero.n + 1)


def restarted(context: StepContext, zero: ZeroState) -> ZeroState:
    """A zero that was being taken when the daemon ended is abandoned; the one before it stays."""
    if zero.under_way:
        context.emit(ZeroAbandoned(because(Because.RESTARTED), zero.by))
    return ZeroState(zero.offset_pa, zero.taken_utc_s)


def follow_up(
    context: StepContext, zero: ZeroState, blower: BlowerState, sample: Sample, *, cleaning: bool
) -> ZeroState:
    """Finish when the time is up; abandon if the blower or a cleaning run starts, or the reading is
    lost or too far."""
    if not zero.under_way:
        return zero
    abandon: Reason | None = None
    if context.setpoints.fitted.blower_running and blower.running is not False:
        abandon = because(Because.ZERO_BLOWER_NOT_OFF, blower_off_s=0.0)
    elif cleaning:
        abandon = because(Because.ZERO_WHILE_CLEANING)
    elif sample.quality is Quality.FUNCTION_CHECK and sample.pa is not None:
        abandon = _too_far(context, sample.pa + zero.offset_pa)
    elif sample.usable_pa is None and not (sample.pa is None and context.holds(context.line.dp)):
        abandon = because(Because.ZERO_READING_LOST)
    due_s = zero.started_s + context.setpoints.zeroing.average_s
    if abandon is None:
        if context.now_s < due_s:
            context.wake_by(due_s)
            return zero
        lost = sample.usable_pa is None and sample.quality is not Quality.FUNCTION_CHECK
        if zero.n == 0 or lost or not is_known(context):
            # No reading has come since the request, or none now, or nobody knows whether the blower
            # is off; the stale-data limit ends a long wait.
            return zero
        # Each reading was within the limit, so their mean is.
        offset_pa = zero.sum_pa / zero.n
        context.emit(ZeroTaken(offset_pa, zero.offset_pa, zero.by))
        return ZeroState(offset_pa, context.at.utc_s)
    context.emit(ZeroAbandoned(abandon, zero.by))
    return ZeroState(zero.offset_pa, zero.taken_utc_s)
