"""Statistics of one minute, for the long record: a fold over inputs, outside of any decision."""

from collections.abc import Sequence
from math import floor

from dustcake.core.inputs import Input, PollCompleted, Signal, Stamp
from dustcake.core.reading import Quality, interpret
from dustcake.core.record import record
from dustcake.core.setpoints import Scale, Setpoints


@record
class Spread:
    """Least, mean and greatest of a pressure, Pa."""

    min_pa: float
    mean_pa: float
    max_pa: float


@record
class Minute:
    """What was read within one minute.

    ``at``: of its last input. ``began_utc_s``: of its first, None while the clock was not set.
    ``covered_s``: how much of the minute the readings account for. ``good`` of ``polls`` had
    quality good; only they count in ``dp`` and ``header`` (None: there was none, or none fitted).
    ``blower_s``: of ``covered_s``, how long the blower was proved running.
    """

    began_utc_s: float | None
    at: Stamp
    covered_s: float
    polls: int
    good: int
    dp: Spread | None
    header: Spread | None
    blower_s: float


def minute_of(at: Stamp) -> tuple[bool, int]:
    """Which minute ``at`` belongs to: by UTC, and while that is not known by the monotonic clock.

    A step of the clock therefore begins another minute and never mixes two.
    """
    if at.utc_s is None:
        return False, floor(at.mono_s / 60)
    return True, floor(at.utc_s / 60)


def summarised(
    inputs: Sequence[Input], next_mono_s: float | None, setpoints: Setpoints, zero_offset_pa: float
) -> Minute | None:
    """The statistics of ``inputs``, all of one minute and in order; None without any poll.

    ``next_mono_s``: of the input that followed them, None where none did. A reading counts until
    the next one, but no longer than it may be trusted.
    """
    polls = [happened for happened in inputs if isinstance(happened, PollCompleted)]
    if not polls:
        return None
    ends_s = [poll.at.mono_s for poll in polls[1:]]
    ends_s.append(polls[-1].at.mono_s if next_mono_s is None else next_mono_s)
    dp_pa: list[float] = []
    header_pa: list[float] = []
    covered_s = blower_s = 0.0
    for poll, end_s in zip(polls, ends_s, strict=True):
        held_s = min(end_s - poll.at.mono_s, setpoints.stale_after_s)
        covered_s += held_s
        pa = _good_pa(poll.dp, setpoints.dp, zero_offset_pa)
        dp_pa += pa
        header_pa += _good_pa(poll.header, setpoints.header, 0.0)
        if _blower_runs(setpoints, poll, pa):
            blower_s += held_s
    return Minute(
        began_utc_s=inputs[0].at.utc_s,
        at=inputs[-1].at,
        covered_s=covered_s,
        polls=len(polls),
        good=len(dp_pa),
        dp=_spread(dp_pa),
        header=_spread(header_pa),
        blower_s=blower_s,
    )


def _good_pa(signal: Signal | None, scale: Scale | None, zero_offset_pa: float) -> list[float]:
    """The reading, if it is good; none where no transmitter is fitted."""
    if signal is None or scale is None:
        return []
    pa, quality, _ = interpret(signal, scale, zero_offset_pa)
    return [pa] if pa is not None and quality is Quality.GOOD else []


def _blower_runs(setpoints: Setpoints, poll: PollCompleted, dp_pa: list[float]) -> bool:
    """By its contact; where none is fitted, by a good dP."""
    if setpoints.fitted.blower_running:
        return bool(poll.contacts.blower_running)
    return any(pa >= setpoints.blower.flow_proof_pa for pa in dp_pa)


def _spread(values_pa: Sequence[float]) -> Spread | None:
    if not values_pa:
        return None
    return Spread(min(values_pa), sum(values_pa) / len(values_pa), max(values_pa))
