"""What is observed during an action: the collector as the daemon knows it, moment by moment."""

from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import Any

from dustcake.commissioning.record import Fields, Record
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.settings.model import Collector, Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit, show

AT_REST = 0.02
AT_REST_OF_SPAN = 0.002
"""How much the halves of a measurement may differ (common practice, no source)."""


@record
class Equipment:
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
        """Pressure from one end of the dP transmitter to the other."""
        return self.setpoints.dp.span_high_pa - self.setpoints.dp.span_low_pa

    def shown(self, pa: float) -> str:
        """A dP as people read it."""
        return show(pa, self.unit)


def equipment_of(settings: Settings, collector: Collector) -> Equipment:
    """Equipment of ``collector`` in these settings."""
    buses = tuple(bus.name for bus in settings.buses)
    return Equipment(collector, to_setpoints(collector), buses)


@record
class Moment:
    """The collector as the daemon knows it after a step."""

    at_s: float
    state: State


@record
class Steady:
    """dP over some seconds, to hundredths: its mean, and how far it went up and down."""

    dp_pa: float
    low_pa: float
    high_pa: float


@record
class Observation:
    """An action under way. ``moments``: oldest first, the first from before the action;
    ``answers``: the core's, to the requests the action began with."""

    equipment: Equipment
    record: Record
    fields: Fields
    moments: tuple[Moment, ...]
    answers: tuple[Mapping[str, Any], ...] = ()

    @property
    def before(self) -> State:
        """State when the action was begun."""
        return self.moments[0].state

    @property
    def now(self) -> State:
        """The newest state."""
        return self.moments[-1].state

    @property
    def elapsed_s(self) -> float:
        """Time since the action was begun."""
        return self.moments[-1].at_s - self.moments[0].at_s

    def steady(self, over_s: float) -> Steady | None:
        """Mean, lowest and highest dP since the action began; None before ``over_s`` have passed,
        or where dP could not be read all the time."""
        return steady_in(self.moments[1:]) if self.elapsed_s >= over_s else None

    def settled(self, over_s: float) -> Steady | None:
        """Mean, lowest and highest dP over the last ``over_s``, once it has come to rest: its first
        half reads what its second half does. None before."""
        if self.elapsed_s < over_s:
            return None
        since_s = self.moments[-1].at_s - over_s
        last = [one for one in self.moments[1:] if one.at_s >= since_s]
        whole, half = steady_in(last), len(last) // 2
        first, second = steady_in(last[:half]), steady_in(last[half:])
        if whole is None or first is None or second is None:
            return None
        limit_pa = max(AT_REST * abs(whole.dp_pa), AT_REST_OF_SPAN * self.equipment.span_pa)
        return whole if abs(first.dp_pa - second.dp_pa) <= limit_pa else None


def steady_in(moments: Sequence[Moment]) -> Steady | None:
    """Mean, lowest and highest of what is read, trusted or not; None where one is missing."""
    numbers = [pa for one in moments if (pa := one.state.sample.pa) is not None]
    if not numbers or len(numbers) < len(moments):
        return None
    return Steady(*(round(pa, 2) for pa in (fmean(numbers), min(numbers), max(numbers))))
