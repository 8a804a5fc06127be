"""What is remembered of a reading that leads to nothing, so that a quiet time stays quiet."""

from dustcake.core.blower import BlowerState
from dustcake.core.reading import Sample
from dustcake.core.record import replace
from dustcake.core.setpoints import Trust
from dustcake.core.signal_validation import frozen as moving
from dustcake.core.signal_validation import jump
from dustcake.core.signal_validation import zero_check as at_rest
from dustcake.core.signal_validation.doubts import is_well_formed
from dustcake.core.signal_validation.state import TrustState


def remember(
    settings: Trust,
    trust: TrustState,
    before: Sample,
    pa: float,
    now_s: float,
    blower: BlowerState,
    *,
    pulsing: bool,
) -> TrustState | None:
    """What ``judge`` comes to for a good reading of ``pa`` after ``before``, where nothing but what
    is remembered of readings can change; None where there may be more to it."""
    if abs(pa - (before.pa or 0.0)) > settings.jump_pa or trust.jump is not None:
        return None
    after = jump.stepped(
        settings,
        trust,
        now_s,
        dp_pa=pa,
        earlier_pa=before.pa if is_well_formed(before) else None,
        is_steady=jump.steady(blower, now_s),
        pulsing=pulsing,
    )
    if after.doubts is not trust.doubts:
        return None
    look = after.still
    if look is not None and now_s >= look.next_s:
        look = moving.looked(settings, look, pa, now_s)
        if look.looks >= moving.LOOKS:
            return None
        after = replace(after, still=look)
    check = after.zero
    if check is not None and not check.done and now_s >= check.from_s:
        check = at_rest.with_reading(check, pa, pulsing=pulsing)
        if check.n >= at_rest.READINGS:
            return None
        after = replace(after, zero=check)
    return after
