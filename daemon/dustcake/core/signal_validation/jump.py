"""Readings that change faster than dP can: a spike is passed over, and what stays is believed, with
a doubt.

A change from one poll to the next beyond the limit of the settings is not believed at first. The
damping of a transmitter spreads a jump over several polls; so half of that limit within
``STEP_S`` is told as well, though it is believed all along; a fall only where no pulse explains it.
"""

from math import inf

from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.setpoints import FanPlace, Trust
from dustcake.core.signal_validation.doubts import cleared, doubted
from dustcake.core.signal_validation.state import Jump, Step, TrustState
from dustcake.core.state import BlowerState
from dustcake.core.step_context import StepContext

# A blower that has just started or stopped changes dP as fast as it likes.
STEADY_AFTER_S = 30.0

STEP_S = 15.0

CLEAN_SIDE, DIRTY_SIDE = "clean side", "dirty side"


def steady(blower: BlowerState, now_s: float) -> bool:
    """Whether the blower has run evenly for so long that dP has no reason to jump."""
    return blower.running is True and now_s >= blower.since_s + STEADY_AFTER_S


def plausible(
    context: StepContext, trust: TrustState, before_pa: float | None, pa: float, *, is_steady: bool
) -> tuple[TrustState, Reason | None]:
    """What becomes of a reading of ``pa`` after ``before_pa``: why it is not believed, or None.

    A value that comes back within the limit was a spike. One that stays for the time of the
    settings is believed from then on, and leaves a doubt: a hose that came off looks like that.
    """
    settings, jump = context.setpoints.trust, trust.jump
    if not is_steady:
        return replace(trust, jump=None) if jump is not None else trust, None
    if jump is None:
        if before_pa is None or abs(pa - before_pa) <= settings.jump_pa:
            return trust, None
        jump = Jump(before_pa, pa, context.now_s)
    elif abs(pa - jump.from_pa) <= settings.jump_pa:
        return replace(trust, jump=None), None
    elif abs(pa - jump.level_pa) > settings.jump_pa:
        jump = Jump(jump.from_pa, pa, context.now_s)
    if context.now_s >= jump.since_s + settings.jump_confirm_s:
        return _believed(settings, trust, jump.from_pa, pa), None
    reason = because(Because.JUMP_UNEXPLAINED, dp_pa=pa, from_pa=jump.from_pa)
    return replace(trust, jump=jump), reason


def anchor_band_pa(settings: Trust, trust: TrustState) -> tuple[float, ...]:
    """The dP at which ``stepped`` has something to do. No two readings in between are so far apart
    that one of them is not believed."""
    half_pa, anchor_pa = settings.jump_pa / 2, trust.anchor_pa
    if anchor_pa is None or half_pa == inf:
        return ()
    return anchor_pa - half_pa, anchor_pa + half_pa


def stepped(
    settings: Trust,
    trust: TrustState,
    now_s: float,
    *,
    dp_pa: float,
    earlier_pa: float | None,
    is_steady: bool,
    pulsing: bool,
) -> TrustState:
    """Follow dP from band to band; whether it went from one to the next at once. ``earlier_pa``:
    the reading before this one, None where this is none or that one was not well formed."""
    half_pa = settings.jump_pa / 2
    if half_pa == inf:
        return trust
    step = trust.step
    if step is not None and not is_steady:
        step = None
    # A run that begins meanwhile, because dP has jumped up, ends the wait before it has an effect.
    elif step is not None and ((pulsing and not step.pulsing) or now_s >= step.due_s):
        rise_pa = dp_pa - step.from_pa
        if rise_pa > half_pa or (rise_pa < -half_pa and not step.pulsing):
            trust = _believed(settings, trust, step.from_pa, dp_pa)
        step = None
    anchor_pa = trust.anchor_pa
    if anchor_pa is None or not anchor_pa - half_pa < dp_pa < anchor_pa + half_pa:
        if step is None and earlier_pa is not None and is_steady:
            step = Step(earlier_pa, now_s + STEP_S, pulsing)
        anchor_pa = dp_pa
    if anchor_pa == trust.anchor_pa and step is trust.step:
        return trust
    return replace(trust, anchor_pa=anchor_pa, step=step)


def _believed(settings: Trust, trust: TrustState, from_pa: float, pa: float) -> TrustState:
    """A jump that stayed. One back towards where an earlier one came from takes its doubt away."""
    rose = pa > from_pa
    opposite = Because.FELL_AT_ONCE if rose else Because.ROSE_AT_ONCE
    doubts = cleared(trust.doubts, opposite)
    if doubts is trust.doubts:
        line = line_at_fault(settings, reads_high=rose)
        reason = (
            because(Because.ROSE_AT_ONCE, line, dp_pa=pa, from_pa=from_pa)
            if rose
            else because(Because.FELL_AT_ONCE, line, dp_pa=pa, from_pa=from_pa)
        )
        doubts = doubted(doubts, reason)
    return replace(trust, jump=None, doubts=doubts)


def line_at_fault(trust: Trust, *, reads_high: bool) -> str:
    """Which sensing line, open to the room, would make dP read too high, or else too low.

    High port on the dirty side, low port on the clean side; with the fan downstream both sides
    are below the pressure of the room, with the fan upstream above it.
    """
    downstream = trust.fan is FanPlace.DOWNSTREAM
    return DIRTY_SIDE if reads_high is downstream else CLEAN_SIDE
