"""No history, however odd, leads to a pulse that must not be."""

from collections import Counter

from hypothesis import given

from core.safety import check
from core.traces import Script, Taken, play, scripts, setpoints
from dustcake.core.events import RequestAnswered
from dustcake.core.inputs import OutputReported, PollCompleted
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Phase
from examples import explore

EXAMPLES = 600

# Reasons shown for a decision, kinds of run and events that the histories must have come by, or
# the property has looked at too little to mean anything.
REACH = """
    mode_off blower_off blower_unknown flow_not_proved below_high on_delay high_reached above_low
    low_reached finishing_cycle timed_selected bad_reading_hold bad_reading_wait
    bad_reading_fallback fallback_needs_blower
    limit_of_cycles resting downtime downtime_spin_down downtime_done smoke stop_input
    door_open contact_unreadable header_low header_high outputs_unproved outputs_fault
    journal_fault settling
    started stopped cleaning_started cleaning_stopped pulse pulse_failed pulse_interrupted demand
    outputs_changed alarm quality_changed mode_selected zero_taken zero_abandoned blower_changed
    blower_run journal_changed request_answered change_lapsed setting_changed
    confirm/done confirm/no_such_change confirm/change_of_another
    FireValve SetDemand AllValvesOff SetBlowerRun
    on_demand/FireValve timed/FireValve fallback/FireValve downtime/FireValve
    None/FireValve
    on_demand/SetDemand timed/SetDemand fallback/SetDemand downtime/SetDemand
    pulse_under_way/AllValvesOff blower_under_way/SetBlowerRun quiet
    held/on_demand held/timed held/fallback held/downtime
    held/bad_reading_wait held/contact_unreadable held/blower_unknown held/outputs_fault
    held/flow_not_proved
    """
MUST_REACH = frozenset(REACH.split())


def reached(history: list[Taken]) -> Counter[str]:
    """What a history has come by."""
    seen: Counter[str] = Counter()
    for taken in history:
        after, kind = taken.after, taken.after.state.decision.kind
        seen[after.state.decision.reason.code] += 1
        seen.update(event.body.name for event in after.events)
        seen.update(
            f"confirm/{event.body.reason.code}"
            for event in after.events
            if isinstance(event.body, RequestAnswered) and event.body.request == "confirm"
        )
        if after.state.decision.phase is Phase.HELD:
            seen.update((f"held/{kind}", f"held/{after.state.decision.reason.code}"))
        for command in after.commands:
            name = type(command).__name__
            seen[name] += 1
            seen[f"{kind}/{name}"] += 1
            reported = isinstance(taken.happened, OutputReported)
            if name == "SetBlowerRun" and taken.before.blower.command_id and not reported:
                seen["blower_under_way/SetBlowerRun"] += 1
        flight = after.state.pulsing.in_flight
        if flight is not None and flight.cut:
            seen["pulse_under_way/AllValvesOff"] += 1
        if isinstance(taken.happened, PollCompleted) and taken.before.quiet is after.state.quiet:
            seen["quiet"] += after.state.quiet is not None
    return seen


def test_no_history_leads_to_a_pulse_that_must_not_be() -> None:
    seen: Counter[str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        history = play(script, chosen)
        check(history)
        seen.update(reached(history))

    explore(every_history, EXAMPLES, seen, MUST_REACH)
