"""Putting what was decided into one word and one reason."""

from dustcake.core.cleaning.permissives import Permissive
from dustcake.core.cleaning.runs import CleaningState
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode
from dustcake.core.state import Decision, Phase


def decision(
    mode: Mode,
    cleaning: CleaningState,
    permits: tuple[Permissive, ...],
    missing: tuple[Permissive, ...],
) -> Decision:
    """The decision as people are shown it. ``missing``: those of the permissives."""
    kind = None if cleaning.run is None else cleaning.run.kind
    return Decision(mode, _phase(mode, cleaning, missing), kind, cleaning.reason, permits)


_WAITING = (Because.ON_DELAY, Because.DOWNTIME_SPIN_DOWN, Because.BAD_READING_WAIT)
_BLOCKED = (Because.BAD_READING_HOLD, Because.FALLBACK_NEEDS_BLOWER)


def _phase(mode: Mode, cleaning: CleaningState, missing: tuple[Permissive, ...]) -> Phase:
    reason = cleaning.reason
    lacks = any(p.reason is reason for p in missing)
    waiting = reason.code in _WAITING
    if cleaning.run is not None:
        return Phase.HELD if lacks or waiting else Phase.CLEANING
    if mode is Mode.OFF:
        return Phase.OFF
    if lacks or reason.code in _BLOCKED:
        return Phase.BLOCKED
    if reason.code is Because.RESTING:
        return Phase.RESTING
    return Phase.WAITING if waiting else Phase.IDLE
