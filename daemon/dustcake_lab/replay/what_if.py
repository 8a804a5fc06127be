"""Until when a replay is an answer: the first command that the recording did not have.

A recorded dP has answered to what was done then. From the first pulse on that a replay fires and
the recording did not, or the other way round, the dP it goes by is no longer the one there would
have been. What would follow is a question for a model: `dustcake study`.
"""

from dustcake.core.commands import Command, FireValve, SetDemand
from dustcake.core.inputs import Stamp
from dustcake.core.record import record
from dustcake_lab.traces.columns import Recorded, RecordedPulse

_SLACK_S = 3.0
"""So much earlier or later a pulse is still the same one: a poll and a command take their time."""


CAVEAT = (
    "a pulse here cannot change the dP that was recorded: what-if answers hold only until the "
    "first pulse that the recording did not have"
)


@record
class Difference:
    """``at_s``: when; ``what``: which command is only on one side."""

    at_s: float
    what: str


class CommandLog:
    """Hears of the commands of a replay that act on the filters."""

    def __init__(self) -> None:
        self.pulses: list[tuple[float, int]] = []
        self.demand: list[tuple[float, bool]] = []

    def __call__(self, at: Stamp, command: Command) -> None:
        """Take in one command."""
        if isinstance(command, FireValve):
            self.pulses.append((at.mono_s, command.valve))
        elif isinstance(command, SetDemand):
            self.demand.append((at.mono_s, command.closed))


def first_difference(recorded: Recorded, commanded: CommandLog) -> Difference | None:
    """The first command that is not on both sides; None where there is none.

    Which valve is pulsed is not compared: where a row order stood at the beginning of a trace is
    not in it. A trace without records of what was done holds up to the first command.
    """
    if recorded.has_pulse_columns:
        return _of_pulses(recorded.pulses, commanded.pulses)
    demand = commanded.demand
    if recorded.cleaning:
        begun = recorded.cleaning[0][1]
        changes = recorded.cleaning if begun else recorded.cleaning[1:]
        begun_by_pulse = [(at_s, True) for at_s, _ in commanded.pulses[:1]]
        return _of_cleaning(changes, demand or begun_by_pulse)
    cleaned_s = [at_s for at_s, on in (*commanded.pulses, *demand) if on]
    if not cleaned_s:
        return None
    return Difference(min(cleaned_s), "the first cleaning; the trace does not say what was done")


def _of_pulses(
    recorded: list[RecordedPulse], commanded: list[tuple[float, int]]
) -> Difference | None:
    there = [each for each in recorded for _ in range(each.count)]
    for one, (at_s, valve) in zip(there, commanded, strict=False):
        if at_s < one.after_s - _SLACK_S:
            return _only_here(at_s, valve)
        if at_s > one.by_s + _SLACK_S:
            return _only_there(one)
    if len(commanded) > len(there):
        return _only_here(*commanded[len(there)])
    return _only_there(there[len(commanded)]) if len(there) > len(commanded) else None


def _only_here(at_s: float, valve: int) -> Difference:
    return Difference(at_s, f"a pulse of valve {valve} that was not fired then")


def _only_there(pulse: RecordedPulse) -> Difference:
    valve = "" if pulse.valve is None else f" of valve {pulse.valve}"
    return Difference(pulse.by_s, f"a pulse{valve} was fired then, and is not with these settings")


def _of_cleaning(
    there: list[tuple[float, bool]], demand: list[tuple[float, bool]]
) -> Difference | None:
    for (there_s, on), (here_s, closed) in zip(there, demand, strict=False):
        if on is not closed or abs(there_s - here_s) > _SLACK_S:
            return Difference(min(there_s, here_s), "cleaning that begins or ends at another time")
    longer = there[len(demand) :] or demand[len(there) :]
    if not longer:
        return None
    return Difference(longer[0][0], "cleaning that begins or ends only on one side")


def caveat(difference: Difference | None, recorded: Recorded, duration_s: float) -> str:
    """Until when the answers hold, in words."""
    if difference is None and (recorded.has_pulse_columns or recorded.cleaning):
        return "every command is one that the recording had: the answers hold to the end"
    if difference is None:
        return "nothing was commanded: the answers hold to the end"
    share = 100.0 * difference.at_s / duration_s if duration_s else 0.0
    return (
        f"{CAVEAT}; here that is {difference.at_s:.0f} s in ({share:.0f} % of the trace): "
        f"{difference.what}. For what would have followed, use `dustcake study`"
    )
