"""One collector as a Sparkplug device: its metrics, and whether its transmitter can be had."""

from collections.abc import Iterator

from dustcake.core.alarms.names import ACTIVE, Alarm
from dustcake.core.inputs import Stamp, contact_label
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.publish.payloads import shown_set_points, utc_text
from dustcake.publish.render import UNACKNOWLEDGED
from dustcake.publish.sparkplug.payload import DataType, Metric, QualityCode
from dustcake.publish.wording import sentence
from dustcake.units import PressureUnit

_CODES = {Quality.GOOD: QualityCode.GOOD, Quality.MAINTENANCE_REQUIRED: QualityCode.GOOD}
_CHOSEN = {
    "low": "Set points/Low",
    "high": "Set points/High",
    "replacement": "Set points/Filter replacement",
    "zero": "Zero offset",
}


class CollectorDevice:
    """Turns states of one collector into metrics. ``deadbands_pa``: of dP and header pressure."""

    def __init__(
        self, setpoints: Setpoints, unit: PressureUnit, deadbands_pa: tuple[float, float]
    ) -> None:
        self._setpoints = setpoints
        self._unit = unit
        self._deadbands_pa = deadbands_pa
        self._has_answered = False
        self._unread_since_s: float | None = None

    def is_there(self, state: State, now: Stamp) -> bool:
        """Whether the transmitter answers. One reply that is missing, or spoiled, is no loss: that
        is one only when none has come for as long as a reading may be trusted."""
        reasons = state.sample.reasons
        code = reasons[0].code if reasons else None
        if code in (Because.STALE, Because.NO_SAMPLE_YET):
            return False
        if code is not Because.READ_FAILED:
            self._unread_since_s = None
            self._has_answered = True
            return True
        if self._unread_since_s is None:
            self._unread_since_s = now.mono_s
        unread_s = now.mono_s - self._unread_since_s
        return self._has_answered and unread_s < self._setpoints.stale_after_s

    def metrics(self, state: State, utc_s: float) -> list[Metric]:
        """Every metric as it is now."""
        return [
            *self._readings(state, utc_s),
            *self._doing(state, utc_s),
            *self._chosen(state, utc_s),
            *self._upkeep(state, utc_s),
            *(metric for alarm in state.alarms for metric in self._alarm(alarm, utc_s)),
        ]

    def _readings(self, state: State, utc_s: float) -> Iterator[Metric]:
        dp_deadband_pa, header_deadband_pa = self._deadbands_pa
        yield _pressure("dP", state.sample, utc_s, dp_deadband_pa)
        yield _text("dP quality", state.sample.quality.value, utc_s)
        why = "; ".join(sentence(reason, self._unit) for reason in state.sample.reasons)
        codes = " ".join(reason.code.value for reason in state.sample.reasons)
        yield _text("dP quality reasons", why, utc_s, change_key=codes)
        if self._setpoints.header is not None:
            header = state.header or Sample(state.sample.at, None, Quality.FAILURE)
            yield _pressure("Header pressure", header, utc_s, header_deadband_pa)
        yield _flag("Blower running", state.blower.running, utc_s)
        for name in self._setpoints.fitted.names():
            if name != "blower_running":
                yield _flag(contact_label(name), getattr(state.contacts, name), utc_s)

    def _doing(self, state: State, utc_s: float) -> Iterator[Metric]:
        decision = state.decision
        yield _text("Mode", decision.mode.value, utc_s)
        yield _text("Phase", decision.phase.value, utc_s)
        yield _text("Cleaning", None if decision.kind is None else decision.kind.value, utc_s)
        reason, code = sentence(decision.reason, self._unit), decision.reason.code.value
        yield _text("Reason", reason, utc_s, change_key=code)
        yield _text("Reason code", code, utc_s)
        for permissive in decision.permissives:
            yield _text(f"Permissives/{permissive.name}", permissive.met.value, utc_s)
        for valve, count in enumerate(state.pulsing.counts, start=1):
            yield Metric(f"Valves/{valve}/Pulses", DataType.INT64, count, utc_s)
        yield Metric("Last valve", DataType.INT32, state.pulsing.last_valve, utc_s)
        yield Metric("Event number", DataType.INT64, state.next_seq - 1, utc_s)

    def _chosen(self, state: State, utc_s: float) -> Iterator[Metric]:
        values_pa = {**shown_set_points(self._setpoints, state), "zero": state.zero.offset_pa}
        for name, value_pa in values_pa.items():
            yield Metric(_CHOSEN[name], DataType.DOUBLE, round(value_pa, 2), utc_s, unit="Pa")

    def _upkeep(self, state: State, utc_s: float) -> Iterator[Metric]:
        changed = utc_text(state.log_book.filters_changed_utc_s)
        yield _text("Upkeep/Filters changed", changed, utc_s)
        for item in state.log_book.maintenance.tasks:
            yield _flag(f"Upkeep/{item.name}/Due", item.due, utc_s)

    def _alarm(self, alarm: Alarm, utc_s: float) -> Iterator[Metric]:
        place = f"Alarms/{alarm.name.value}"
        yield _text(f"{place}/State", alarm.state.value, utc_s)
        yield _flag(f"{place}/Active", alarm.condition_active, utc_s)
        yield _flag(f"{place}/Unacknowledged", alarm.state in UNACKNOWLEDGED, utc_s)


def active_alarms(state: State) -> str:
    """Names of the active alarms, for the node to show also while the device is lost."""
    return ", ".join(alarm.name.value for alarm in state.alarms if alarm.state in ACTIVE)


def _pressure(name: str, sample: Sample, utc_s: float, deadband_pa: float) -> Metric:
    code = _CODES.get(sample.quality, QualityCode.BAD)
    if sample.reasons and sample.reasons[0].code is Because.STALE:
        code = QualityCode.STALE
    return Metric(
        name,
        DataType.DOUBLE,
        None if sample.pa is None else round(sample.pa, 2),
        utc_s if sample.at.utc_s is None else sample.at.utc_s,
        code,
        "Pa",
        deadband_pa,
    )


def _flag(name: str, flag: bool | None, utc_s: float) -> Metric:
    quality = QualityCode.BAD if flag is None else QualityCode.GOOD
    return Metric(name, DataType.BOOLEAN, flag, utc_s, quality)


def _text(name: str, text: str | None, utc_s: float, change_key: str | None = None) -> Metric:
    return Metric(name, DataType.STRING, text, utc_s, change_key=change_key)
