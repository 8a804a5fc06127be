"""What is observed during an action: the collector as the daemon knows it, moment by moment."""

from collections.abc import Mapping, Sequence
from typing import Any

from dustcake.commissioning.record import Fields, Record
from dustcake.core.cleaning.state import Met, Permissive
from dustcake.core.record import record
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, ZeroState
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
        """From one end of the dP transmitter to the other."""
        return self.setpoints.dp.span_high_pa - self.setpoints.dp.span_low_pa

    def shown(self, pa: float) -> str:
        """A dP as people read it."""
        return show(pa, self.unit)


def equipment_of(settings: Settings, collector: Collector) -> Equipment:
    """``collector`` of these settings."""
    buses = tuple(bus.name for bus in settings.buses)
    return Equipment(collector, to_setpoints(collector), buses)


@record
class Snapshot:
    """One moment. ``low_pa`` and ``high_pa``: set points in force. ``dp_pa``: whatever is read,
    trusted or not. ``standing``: alarms whose condition holds, in view or not. ``failures``:
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


def snapshot_of(state: State, setpoints: Setpoints, now_s: float) -> Snapshot:
    """The moment of this state, under these set points of the settings file."""
    header, cleaning = state.header, effective(setpoints, state.set_point_overrides).cleaning
    return Snapshot(
        now_s,
        state.sample.pa,
        state.sample.quality.value,
        None if header is None else header.usable_pa,
        state.blower.running,
        state.pulsing.counts,
        state.pulsing.failures,
        state.zero,
        state.mode.value,
        frozenset(alarm.name.value for alarm in state.alarms if alarm.condition_active),
        tuple(p for p in state.decision.permissives if p.met is Met.NO),
        cleaning.low_pa,
        cleaning.high_pa,
    )


@record
class Steady:
    """dP over some seconds, to hundredths: its mean, and how far it went up and down."""

    dp_pa: float
    low_pa: float
    high_pa: float


@record
class Observation:
    """An action under way. ``snapshots``: oldest first, the first from before the action;
    ``answers``: the core's, to the requests the action began with."""

    equipment: Equipment
    record: Record
    fields: Fields
    snapshots: tuple[Snapshot, ...]
    answers: tuple[Mapping[str, Any], ...] = ()

    @property
    def before(self) -> Snapshot:
        """When the action was begun."""
        return self.snapshots[0]

    @property
    def now(self) -> Snapshot:
        """The newest."""
        return self.snapshots[-1]

    @property
    def elapsed_s(self) -> float:
        """Since the action was begun."""
        return self.now.at_s - self.before.at_s

    def steady(self, over_s: float) -> Steady | None:
        """dP since the action began; None before ``over_s`` have passed, or where dP could not be
        read all the time."""
        return _steady(self.snapshots[1:]) if self.elapsed_s >= over_s else None

    def settled(self, over_s: float) -> Steady | None:
        """dP over the last ``over_s``, once it has come to rest: its first half reads what its
        second half does. None before."""
        if self.elapsed_s < over_s:
            return None
        since_s = self.now.at_s - over_s
        last = [one for one in self.snapshots[1:] if one.at_s >= since_s]
        whole, half = _steady(last), len(last) // 2
        first, second = _steady(last[:half]), _steady(last[half:])
        if whole is None or first is None or second is None:
            return None
        limit_pa = max(AT_REST * abs(whole.dp_pa), AT_REST_OF_SPAN * self.equipment.span_pa)
        return whole if abs(first.dp_pa - second.dp_pa) <= limit_pa else None


def _steady(snapshots: Sequence[Snapshot]) -> Steady | None:
    numbers = [one.dp_pa for one in snapshots if one.dp_pa is not None]
    if not numbers or len(numbers) < len(snapshots):
        return None
    mean_pa, low_pa, high_pa = sum(numbers) / len(numbers), min(numbers), max(numbers)
    return Steady(round(mean_pa, 2), round(low_pa, 2), round(high_pa, 2))
