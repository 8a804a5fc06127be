"""A reading that does not move while the blower runs."""

from dustcake.core.blower import BlowerState
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.trust.doubts import cleared, doubted, find, is_well_formed
from dustcake.core.trust.state import Still, TrustState
from dustcake.core.turn import Turn

# Looks at which the reading must be the same. Noise comes back to one value now and then: with a
# deviation as large as the resolution once in four looks, so twelve times running once in 10^7.
LOOKS = 12


def still(turn: Turn, trust: TrustState, sample: Sample, blower: BlowerState) -> TrustState:
    """Look now and then, not at every poll, so that quiet times stay quiet in between."""
    settings, before = turn.setpoints.trust, trust.still
    frozen = find(trust.doubts, Because.FROZEN) is not None
    if settings.frozen_after_s <= 0 or not (blower.running or frozen):
        # Without a contact the blower's proof is lost with the reading: a doubt that stands goes
        # only when the reading moves.
        return trust if before is None else replace(trust, still=None)
    if not is_well_formed(sample) or sample.pa is None:
        return trust
    every_s = settings.frozen_after_s / LOOKS
    if before is not None and not frozen and not turn.reached(before.next_s):
        return trust
    if before is None or abs(sample.pa - before.pa) > settings.frozen_within_pa:
        begun = Still(sample.pa, 0, turn.now_s + every_s)
        turn.by(begun.next_s)
        doubts = trust.doubts if before is None else cleared(trust.doubts, Because.FROZEN)
        return replace(trust, still=begun, doubts=doubts)
    if frozen:
        return trust
    looked = Still(before.pa, before.looks + 1, turn.now_s + every_s)
    if looked.looks < LOOKS:
        turn.by(looked.next_s)
        return replace(trust, still=looked)
    reason = because(Because.FROZEN, dp_pa=before.pa, frozen_after_s=settings.frozen_after_s)
    return replace(trust, still=looked, doubts=doubted(trust.doubts, reason))
