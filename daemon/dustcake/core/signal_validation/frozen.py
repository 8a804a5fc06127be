"""A reading that does not move while the blower runs."""

from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.setpoints import Trust
from dustcake.core.signal_validation.doubts import cleared, doubted, find, is_well_formed
from dustcake.core.signal_validation.state import Still, TrustState
from dustcake.core.state import BlowerState
from dustcake.core.step_context import StepContext

# Looks at which the reading must be the same. Noise comes back to one value now and then: with a
# deviation as large as the resolution once in four looks, so twelve times running once in 10^7.
LOOKS = 12


def still(
    context: StepContext, trust: TrustState, sample: Sample, blower: BlowerState
) -> TrustState:
    """Look now and then, not at every reading, so that quiet times stay quiet in between."""
    settings, before = context.setpoints.trust, trust.still
    frozen = find(trust.doubts, Because.FROZEN) is not None
    if settings.frozen_after_s <= 0 or not (blower.running or frozen):
        # Without a contact the blower's proof is lost with the reading: a doubt that stands goes
        # only when the reading moves.
        return trust if before is None else replace(trust, still=None)
    if not context.polled:  # only a poll brings another reading
        return trust
    if not is_well_formed(sample) or sample.pa is None:
        return trust
    if before is not None and not frozen and context.now_s < before.next_s:
        return trust
    after = looked(settings, before, sample.pa, context.now_s)
    if after.looks == 0:
        doubts = trust.doubts if before is None else cleared(trust.doubts, Because.FROZEN)
        return replace(trust, still=after, doubts=doubts)
    if frozen:
        return trust
    if after.looks < LOOKS:
        return replace(trust, still=after)
    reason = because(Because.FROZEN, dp_pa=after.pa, frozen_after_s=settings.frozen_after_s)
    return replace(trust, still=after, doubts=doubted(trust.doubts, reason))


def looked(settings: Trust, before: Still | None, pa: float, now_s: float) -> Still:
    """What is remembered after a look that is due and finds ``pa``. Frozen after ``LOOKS``."""
    next_s = now_s + settings.frozen_after_s / LOOKS
    if before is None or abs(pa - before.pa) > settings.frozen_within_pa:
        return Still(pa, 0, next_s)
    return Still(before.pa, before.looks + 1, next_s)
