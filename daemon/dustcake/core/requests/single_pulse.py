"""One pulse of one valve, asked for by a person who watches it.

It needs what every pulse needs, but neither a reading nor the blower: valves are proved before the
blower is first started. It leaves the order of the rows as it is.
"""

from dustcake.core.cleaning.permitted import permitted
from dustcake.core.cleaning.pulsing import command
from dustcake.core.cleaning.runs import ALWAYS
from dustcake.core.pulse_response import observation as looking
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.setpoints import OutputKind
from dustcake.core.state import State
from dustcake.core.step_context import Turn


def fire(turn: Turn, state: State, valve: int) -> tuple[State, bool, Reason]:
    """Command the pulse, or refuse with the reason."""
    refusal = _refusal(turn, state, valve)
    if refusal is not None:
        return state, False, refusal
    diagnosis = looking.begin(
        turn,
        state.diagnosis,
        None,
        valve,
        turn.setpoints.pulsing.interval_s,
        state.sample,
        state.header,
        flow=state.blower.running is not False,
    )
    pulses = command(turn, state.pulsing, valve)
    state = replace(state, pulsing=pulses, diagnosis=diagnosis)
    return state, True, because(Because.PULSE_STARTED, valve=valve)


def _refusal(turn: Turn, state: State, valve: int) -> Reason | None:
    settings = turn.setpoints.pulsing
    if settings.kind is OutputKind.DEMAND_CONTACT:
        return because(Because.PULSE_BY_SEQUENCER)
    if valve not in settings.order:
        return because(Because.NO_SUCH_VALVE, valves=len(settings.order))
    if state.stopping:
        return because(Because.STOPPING)
    if state.zero.under_way:
        return because(Because.PULSE_WHILE_ZEROING)
    if state.cleaning.run is not None:
        return because(Because.PULSE_WHILE_CLEANING)
    _, missing = permitted(turn, state, state.blower, state.outputs)
    for permit in missing:
        if permit.name in ALWAYS:
            return permit.reason
    if (
        state.pulsing.in_flight is not None
        or turn.now_s < state.pulsing.last_s + settings.interval_s
    ):
        return because(Because.PULSE_TOO_SOON, interval_s=settings.interval_s)
    return None
