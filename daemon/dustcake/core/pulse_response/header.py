"""The header from pulse to pulse: filled again in time, and to its usual pressure."""

from math import exp, log, sqrt

from dustcake.core.pulse_response.findings import (
    blended,
    found,
    judged,
    standing,
    withdrawn,
)
from dustcake.core.pulse_response.state import (
    Finding,
    FindingName,
    HeaderRecord,
    PulseObservation,
    PulseResponseState,
    Response,
)
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# So many more pulses that began too low than that did not are no accident.
PULSES = 4
RESTS = 3
# A header that stays below this part of its pressure was emptied by more than one pulse: a pulse
# takes a third at most of a header of fair size (common practice, no source).
EMPTIED = 0.6
# Less than this part of a dip made up for by the time the next pulse is due is no refilling. Two
# pulses tell.
REFILLED = 0.3
FILLS = 2
# Pressure at rest below this part of the usual is weak.
WEAK = 0.85
_FORGETS = 0.02
# Polls come at unlike times after pulses, and a header recovers within seconds. So dips are
# compared as they are so long after the pulse, going along the usual recovery, an exponential. What
# has recovered wholly by the second poll is taken to have left this part, and no dip is made more
# of than by the inverse.
_COMPARED_AT_S = 1.0
_LEAST_LEFT = 0.2
# A fall by this part within one poll, with no valve commanded, is no leak.
_AT_ONCE = 0.12


def with_recovery(known: PulseResponseState, observation: PulseObservation) -> PulseResponseState:
    """Learn how fast a dip recovers, where it is clear of the noise at the first poll after the
    pulse and a second has come."""
    header, dip, later = known.header, observation.dip, observation.later_dip
    if dip is None or later is None or observation.header_pa is None:
        return known
    if dip <= 4 * sqrt(2 * (known.header_noise_pa2 or 0.0)) / observation.header_pa:
        return known
    between_s = observation.later_after_s - observation.dip_after_s
    per_s = max(0.0, log(dip / max(later, _LEAST_LEFT * dip)) / between_s)
    count = header.recoveries + 1
    per_s = blended(header.recovery_per_s, per_s, count, _FORGETS)
    return replace(known, header=replace(header, recovery_per_s=per_s, recoveries=count))


def recovered_factor(header: HeaderRecord, after_s: float) -> float:
    """By what a dip read ``after_s`` after a pulse is multiplied to be compared with others."""
    factor = exp(header.recovery_per_s * (after_s - _COMPARED_AT_S))
    return min(factor, 1.0 / _LEAST_LEFT)


def before_pulse(
    context: StepContext, known: PulseResponseState, observation: PulseObservation, *, rested: bool
) -> PulseResponseState:
    """What header pressure at the beginning of a pulse says. ``rested``: the first of a run."""
    if observation.header_pa is None:
        return known
    header = known.header
    if rested or header.rest_pa is None:
        return _at_rest(context, known, header, observation.header_pa)
    share = context.setpoints.pulse_response.recovered_share
    slow = header.slow
    if observation.header_pa < share * header.rest_pa:
        slow = min(slow + 1, 2 * PULSES)
    elif observation.header_pa >= (1 + share) / 2 * header.rest_pa:
        slow = max(slow - 1, 0)  # the first of a run begin well: others must, too
    known = replace(known, header=replace(header, slow=slow))
    reason = because(
        Because.HEADER_SLOW,
        header_pa=observation.header_pa,
        rest_header_pa=header.rest_pa,
        pulses=slow,
    )
    finding = Finding(FindingName.HEADER_SLOW, 0, reason)
    return judged(context, known, finding, slow, gone=0, certain=PULSES)


def _at_rest(
    context: StepContext, known: PulseResponseState, header: HeaderRecord, now_pa: float
) -> PulseResponseState:
    is_weak = header.rests >= RESTS and now_pa < WEAK * header.usual_pa
    weak = min(header.weak + 1, 2 * RESTS) if is_weak else max(header.weak - 1, 0)
    rests = header.rests + 1
    # What is weak now becomes the usual only very slowly, so that a regulator set anew on purpose
    # is not reported for ever.
    usual_pa = blended(header.usual_pa, now_pa, rests, _FORGETS)
    if is_weak:
        usual_pa = header.usual_pa + _FORGETS / 4 * (now_pa - header.usual_pa)
    header = replace(header, rest_pa=now_pa, usual_pa=usual_pa, rests=rests, weak=weak)
    known = replace(known, header=header)
    reason = because(Because.HEADER_WEAK, header_pa=now_pa, usual_header_pa=usual_pa, pulses=weak)
    finding = Finding(FindingName.HEADER_WEAK, 0, reason)
    return judged(context, known, finding, weak, gone=0, certain=RESTS)


def after_pulse(
    context: StepContext, known: PulseResponseState, response: Response
) -> PulseResponseState:
    """Whether the header is on its way back when the response to a pulse is due."""
    before_pa, after_pa = response.header_pa, response.header_after_pa
    if before_pa is None or after_pa is None:
        return known
    empty = _empty_after(known.header.empty, response, 1 - after_pa / before_pa)
    known = replace(known, header=replace(known.header, empty=empty))
    share = context.setpoints.pulse_response.recovered_share
    if after_pa >= share * before_pa and empty == 0:
        rest_pa = known.header.rest_pa
        if rest_pa is None or after_pa >= share * rest_pa:
            known = withdrawn(context, known, FindingName.VALVE_STUCK_OPEN)
        return withdrawn(context, known, FindingName.HEADER_NOT_REFILLED)
    code, name, valve = Because.HEADER_NOT_REFILLED, FindingName.HEADER_NOT_REFILLED, 0
    if after_pa < EMPTIED * before_pa:
        code, name = Because.HEADER_EMPTIED_BY_VALVE, FindingName.VALVE_STUCK_OPEN
        valve = response.valve
    elif empty < FILLS or standing(known, FindingName.VALVE_STUCK_OPEN):
        return known
    reason = because(
        code,
        valve=response.valve,
        before_header_pa=before_pa,
        header_pa=after_pa,
        response_s=context.setpoints.pulse_response.response_s,
    )
    return found(context, known, Finding(name, valve, reason))


def _empty_after(empty: int, response: Response, lacks: float) -> int:
    """``HeaderRecord.empty`` after a pulse, when ``lacks`` of its pressure is missing. A dip that
    was not seen neither adds to what was seen nor takes it away."""
    if response.dip is None:
        return empty
    is_clear = response.dip > 4 * response.header_noise
    return empty + 1 if is_clear and lacks > (1 - REFILLED) * response.dip else 0


def thresholds_pa(_setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every header pressure at which ``without_pulse`` may do otherwise, beside the lower limit of
    the settings."""
    header = state.pulse_response.header
    return (WEAK * header.usual_pa,) if header.rests >= RESTS else ()


def without_pulse(context: StepContext, state: State) -> PulseResponseState:
    """A header that falls between two polls below its lower limit, or to a weak pressure, with no
    pulse to explain it, while the blower runs. Nobody vents it for work then."""
    known, now_pa = state.pulse_response, state.header_pa
    before_pa = context.before.header_pa if context.polled else None
    if before_pa is None or now_pa is None or known.observation is not None:
        return known
    limits_pa = (context.setpoints.header_limits.min_pa, *thresholds_pa(context.setpoints, state))
    passed = any(now_pa < limit_pa <= before_pa for limit_pa in limits_pa)
    if not passed or now_pa > (1 - _AT_ONCE) * before_pa:
        return known
    reason = because(Because.HEADER_EMPTIED, before_header_pa=before_pa, header_pa=now_pa)
    return found(context, known, Finding(FindingName.VALVE_STUCK_OPEN, 0, reason))
