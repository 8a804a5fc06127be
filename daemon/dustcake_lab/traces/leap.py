"""How far a replay may leap: the core's promise of quiet in terms of what a trace holds."""

from math import inf

from dustcake.core.cleaning.runs import may_exceed_high_s
from dustcake.core.inputs import Contacts, Measured, Signal
from dustcake.core.reading import OVER_SPAN, UNDER_SPAN
from dustcake.core.record import record
from dustcake.core.setpoints import Scale, Setpoints
from dustcake.core.state import State
from dustcake.core.step import thresholds_pa


@record
class Leap:
    """Samples strictly inside the bounds, before ``until_s``, with these very ``contacts``, lead
    to nothing. ``header``: header pressure is among what has to stay inside. dP from ``high_pa`` up
    to below ``brief_pa`` leads to nothing either if it comes back inside in less than
    ``brief_s``."""

    low_pa: float
    high_pa: float
    until_s: float
    contacts: Contacts | None
    header: bool = False
    header_low_pa: float = -inf
    header_high_pa: float = inf
    brief_pa: float = -inf
    brief_s: float = 0.0

    def may_begin(self, contacts: Contacts) -> bool:
        """Whether samples with these contacts can be covered at all."""
        return contacts is self.contacts or contacts == self.contacts

    def covers(self, now_s: float, dp: Signal, header: Signal | None, contacts: Contacts) -> bool:
        """Whether this one sample is."""
        if type(dp) is not Measured or not self.low_pa < dp.pa < self.high_pa:
            return False
        if self.header and not (
            type(header) is Measured and self.header_low_pa < header.pa < self.header_high_pa
        ):
            return False
        return now_s < self.until_s and self.may_begin(contacts)


NO_LEAP = Leap(inf, -inf, -inf, None)


def leap_after(state: State, setpoints: Setpoints, *, ripple: bool = True) -> Leap:
    """What may be leapt over in this state. ``ripple``: with what is only brief, which takes some
    time to say."""
    quiet = state.quiet
    if quiet is None:
        return NO_LEAP
    low_pa, high_pa = _within_span(quiet.low_pa, quiet.high_pa, setpoints.dp)
    header = (-inf, inf)
    if setpoints.header is not None:
        header = _within_span(quiet.header_low_pa, quiet.header_high_pa, setpoints.header)
    brief_pa, brief_s = -inf, 0.0
    over = brief(state, setpoints) if ripple else None
    if over is not None and high_pa == quiet.high_pa:
        _, brief_pa = _within_span(None, over.under_pa, setpoints.dp)
        brief_s = over.within_s
    return Leap(
        low_pa,
        high_pa,
        min(inf if quiet.until_s is None else quiet.until_s, state.signal_validation.due_s),
        state.contacts,
        setpoints.header is not None,
        *header,
        brief_pa,
        brief_s,
    )


@record
class Brief:
    """What the promise of quiet may be widened by, for who knows what comes next: dP at or above
    its upper bound, below ``under_pa`` (None: open), leads to nothing if it is back within the
    promise less than ``within_s`` after it left. Ripple takes dP over the high set point and back
    many times before it stays there for the on-delay."""

    under_pa: float | None
    within_s: float


def brief(state: State, setpoints: Setpoints) -> Brief | None:
    """How dP may leave the promise in ``state`` and come back; None where it may not."""
    quiet = state.quiet
    high_pa, within_s = setpoints.cleaning.high_pa, may_exceed_high_s(setpoints, state)
    if quiet is None or quiet.high_pa != high_pa or within_s <= 0:
        return None
    thresholds = tuple(thresholds_pa(setpoints, state))
    if thresholds.count(high_pa) > 1:  # something else has the same limit
        return None
    return Brief(min((t for t in thresholds if t > high_pa), default=None), within_s)


def _within_span(low_pa: float | None, high_pa: float | None, scale: Scale) -> tuple[float, float]:
    """Further beyond its span than this a transmitter is not believed: that is for the
    core to say."""
    span_pa = scale.span_high_pa - scale.span_low_pa
    lowest_pa = scale.span_low_pa + UNDER_SPAN * span_pa
    highest_pa = scale.span_high_pa + OVER_SPAN * span_pa
    return (
        lowest_pa if low_pa is None else max(low_pa, lowest_pa),
        highest_pa if high_pa is None else min(high_pa, highest_pa),
    )
