"""What commissioning looks at: the collector as the daemon knows it, moment by moment."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dustcake.commissioning.record import Record, Result
from dustcake.core.cleaning.permissives import Met, Permissive
from dustcake.core.record import record
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.zeroing import ZeroState
from dustcake.settings.collector import Collector
from dustcake.units import PressureUnit, show

Field = str | float | bool
Fields = Mapping[str, Field]
Asked = dict[str, object]


@record
class Site:
    """The collector that is commissioned. ``buses``: names of all there are."""

    collector: Collector
    setpoints: Setpoints
    buses: tuple[str, ...]

    @property
    def unit(self) -> PressureUnit:
        """Unit in which dP is shown."""
        return self.collector.shown_in

    @property
    def span_pa(self) -> float:
        """From one end of the dP transmitter to the other."""
        return self.setpoints.dp.span_high_pa - self.setpoints.dp.span_low_pa

    def shown(self, pa: float) -> str:
        """A dP as people read it."""
        return show(pa, self.unit)


@record
class Seen:
    """One moment. ``low_pa`` and ``high_pa``: set points in force. ``dp_pa``: whatever is read,
    believed or not. ``standing``: alarms whose condition holds, in view or not. ``failures``:
    pulses that failed since the last that did not."""

    at_s: float
    dp_pa: float | None
    quality: str
    header_pa: float | None
    blower_running: bool | None
    pulses: tuple[int, ...]
    failures: int
    zero: ZeroState
    mode: str
    standing: frozenset[str]
    missing: tuple[Permissive, ...]
    low_pa: float
    high_pa: float


def seen_in(state: State, setpoints: Setpoints, now_s: float) -> Seen:
    """The moment of this state, under these set points of the settings file."""
    header, cleaning = state.header, effective(setpoints, state.adjusted).cleaning
    return Seen(
        now_s,
        state.sample.pa,
        state.sample.quality.value,
        None if header is None else header.usable_pa,
        state.blower.running,
        state.pulsing.counts,
        state.pulsing.failures,
        state.zero,
        state.mode.value,
        frozenset(alarm.name.value for alarm in state.alarms if alarm.stands),
        tuple(p for p in state.decision.permissives if p.met is Met.NO),
        cleaning.low_pa,
        cleaning.high_pa,
    )


@record
class Steady:
    """dP over some seconds: its mean, and how far it went up and down."""

    mean_pa: float
    low_pa: float
    high_pa: float
    readings: int


@record
class Watched:
    """An action under way. ``seen``: from before it on, oldest first; ``answers``: what the core
    has answered to what was asked of it."""

    site: Site
    record: Record
    fields: Fields
    seen: tuple[Seen, ...]
    answers: tuple[Mapping[str, Any], ...] = ()

    @property
    def before(self) -> Seen:
        """When the action was begun."""
        return self.seen[0]

    @property
    def now(self) -> Seen:
        """The newest."""
        return self.seen[-1]

    @property
    def elapsed_s(self) -> float:
        """How long it has been watched."""
        return self.now.at_s - self.before.at_s

    def steady(self, over_s: float) -> Steady | None:
        """dP over the ``over_s`` since the action began; None before they have passed, or where
        dP could not be read all the time."""
        if self.elapsed_s < over_s:
            return None
        return _steady(self.seen[1:])

    def settled(self, over_s: float) -> Steady | None:
        """dP over the last ``over_s``, once it has come to rest: its first half reads what its
        second half does. None before."""
        if self.elapsed_s < over_s:
            return None
        since_s = self.now.at_s - over_s
        last = [one for one in self.seen[1:] if one.at_s >= since_s]
        whole, half = _steady(last), len(last) // 2
        first, second = _steady(last[:half]), _steady(last[half:])
        if whole is None or first is None or second is None:
            return None
        limit_pa = max(AT_REST * abs(whole.mean_pa), AT_REST_OF_SPAN * self.site.span_pa)
        return whole if abs(first.mean_pa - second.mean_pa) <= limit_pa else None


AT_REST = 0.02
AT_REST_OF_SPAN = 0.002
"""How much the halves of a measurement may differ (common practice, no source)."""


def _steady(seen: Sequence[Seen]) -> Steady | None:
    numbers = [one.dp_pa for one in seen if one.dp_pa is not None]
    if not numbers or len(numbers) < len(seen):
        return None
    return Steady(sum(numbers) / len(numbers), min(numbers), max(numbers), len(numbers))


@record
class Outcome:
    """What an action came to. ``values``: units in the names."""

    result: Result
    words: str
    values: dict[str, object]


def passed(words: str, **values: object) -> Outcome:
    """It is as it should be."""
    return Outcome(Result.PASSED, words, values)


def failed(words: str, **values: object) -> Outcome:
    """It is not; ``words`` say what to do."""
    return Outcome(Result.FAILED, words, values)


def noted(words: str, **values: object) -> Outcome:
    """It is on record, and decides nothing yet."""
    return Outcome(Result.NOTED, words, values)


Judge = Callable[[Watched], Outcome | None]
"""Called after every reading; None: not yet."""
