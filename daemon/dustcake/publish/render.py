"""From a state and its events to what the broker gets, a measurement when it is worth a message."""

from collections.abc import Iterable

from dustcake.core.alarms.names import IN_VIEW, Alarm, AlarmSetting, AlarmState
from dustcake.core.cleaning.state import Permissive
from dustcake.core.events import Event
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.minutes import Minute, Spread
from dustcake.core.reading import Quality, Sample
from dustcake.core.record import record, replace
from dustcake.core.requests.kinds import PendingChange, SetPoint, SetPointOverride
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import MaintenanceTask, State
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.life_and_air import air_content, life_content
from dustcake.publish.payloads import (
    Fields,
    event_content,
    measured,
    payload,
    point_content,
    points_content,
    pressure,
    quantity,
    reason_fields,
    shown_set_points,
    utc_text,
)
from dustcake.publish.topics import CHANNELS, Publication, Topics
from dustcake.publish.wording import header_unit, sentence
from dustcake.units import PressureUnit


@record
class Renderer:
    """Renders one collector. ``measurement_expiry_s``: after which a broker that can (MQTT 5)
    forgets a measurement, so that a dead daemon's last value does not look alive."""

    topics: Topics
    setpoints: Setpoints
    unit: PressureUnit
    measurement_expiry_s: int

    def _publication(
        self, kind: str, utc_s: float | None, seq: int, content: Fields, **places: str
    ) -> Publication:
        channel, topic = CHANNELS[kind], self.topics.of(kind, **places)
        body = payload(kind, utc_s, seq, content)
        return Publication(topic, body, channel.qos, channel.retain, channel.keep)

    def online(self, utc_s: float | None, seq: int, online: bool) -> Publication:
        """The birth, the goodbye, or (with no time, since it is written beforehand) the will."""
        return self._publication("online", utc_s, seq, {"online": online})

    def measurement(self, state: State, utc_s: float | None) -> Publication:
        """The reading now; each value has the time it was read at."""
        header, fitted, contacts = state.header, self.setpoints.fitted, state.contacts
        content: Fields = {
            "dp": measured(state.sample, self.unit),
            "header": None if header is None else measured(header, header_unit(self.unit)),
            # Without a contact it is what dP proves.
            "blower_running": quantity(state.blower.running, None),
            **{
                name: quantity(getattr(contacts, name), None) if getattr(fitted, name) else None
                for name in CONTACT_NAMES
                if name != "blower_running"
            },
        }
        measurement = self._publication("measurement", utc_s, state.next_seq - 1, content)
        return replace(measurement, expiry_s=self.measurement_expiry_s)

    def minute(self, number: int, minute: Minute, dropped: int, seq: int) -> Publication:
        """Statistics of one minute. ``number`` counts them without a gap; ``dropped``: of how many
        it had to be given up to deliver them, because the broker was away for too long."""
        content: Fields = {
            "number": number,
            "dropped": dropped,
            "covered": quantity(minute.covered_s, "s", digits=3),
            "polls": minute.polls,
            "good": minute.good,
            "dp": _spread(minute.dp),
            "header": _spread(minute.header),
            "blower_running": quantity(minute.blower_s, "s", digits=3),
        }
        return self._publication("minute", minute.began_utc_s, seq, content)

    def recorded_event(self, seq: int, utc_s: float | None, fields: Fields) -> Publication:
        """An event of another version that this one cannot read: its fields as they are."""
        return self._publication("event", utc_s, seq, fields)

    def state_content(self, state: State) -> Fields:
        """What the retained state says, without time and number."""
        pulsing = effective(self.setpoints, state.set_point_overrides).pulsing
        shown_pa, decision = shown_set_points(self.setpoints, state), state.decision
        return {
            "mode": decision.mode.value,
            "phase": decision.phase.value,
            "cleaning": None if decision.kind is None else decision.kind.value,
            **reason_fields(decision.reason, self.unit),
            "permissives": [self._permissive(p) for p in decision.permissives],
            "quality": state.sample.quality.value,
            "quality_reasons": [sentence(r, self.unit) for r in state.sample.reasons],
            "quality_reason_codes": [r.code.value for r in state.sample.reasons],
            "blower_running": state.blower.running,
            "valves": [
                {"valve": i, "pulses": n} for i, n in enumerate(state.pulsing.counts, start=1)
            ],
            "last_valve": state.pulsing.last_valve,
            "set_points": {name: pressure(pa, self.unit) for name, pa in shown_pa.items()},
            "interval": point_content(SetPoint.INTERVAL, pulsing.interval_s, self.unit),
            "on_time": point_content(SetPoint.ON_TIME, pulsing.on_time_s, self.unit),
            "set_points_by_request": self._by_request(state.set_point_overrides.points),
            "change_held": self._held(state.set_point_overrides.pending),
            "filter_life": self._life(state),
            "air": air_content(
                state.air, state.blower.total_until_s(state.sample.at.mono_s), self.setpoints
            ),
            "zero_offset": pressure(state.zero.offset_pa, self.unit),
            "filters_changed": utc_text(state.log_book.filters_changed_utc_s),
            "upkeep": self._upkeep(state.log_book.maintenance.tasks),
            "alarms": [a.name.value for a in state.alarms if a.state in _SHOWN],
            "alarms_out_of_view": [
                {"alarm": a.name.value, "state": a.state.value, "active": a.condition_active}
                for a in state.alarms
                if a.state not in IN_VIEW
            ],
        }

    def state(self, state: State, utc_s: float | None) -> Publication:
        """The retained state."""
        return self._publication("state", utc_s, state.next_seq - 1, self.state_content(state))

    def alarm_content(self, alarm: Alarm, setting: AlarmSetting) -> Fields:
        """What a retained alarm says, without time and number."""
        text = ALARM_TEXTS[alarm.name]
        return {
            "alarm": alarm.name.value,
            "state": alarm.state.value,
            # Of the condition, after its delays, also while the alarm is out of view.
            "active": alarm.condition_active,
            "acknowledged": alarm.state not in UNACKNOWLEDGED,
            "priority": setting.priority.value,
            "enabled": setting.enabled,
            "latching": setting.latching,
            "since": utc_text(alarm.since_utc_s),
            **reason_fields(alarm.reason, self.unit),
            "by": alarm.by or None,
            "why": alarm.why or None,
            "shelved_until": utc_text(alarm.until_utc_s),
            "explained_by": None if alarm.cause is None else alarm.cause.value,
            "title": text.title,
            "consequence": text.consequence,
            "causes": text.causes.split("; "),
            "action": text.action,
        }

    def alarm(self, alarm: Alarm, setting: AlarmSetting, seq: int) -> Publication:
        """One retained alarm."""
        content = self.alarm_content(alarm, setting)
        return self._publication("alarm", alarm.since_utc_s, seq, content, alarm=alarm.name)

    def events(self, events: Iterable[Event], quality: Quality) -> list[Publication]:
        """Events, in order; ``quality`` of the dP reading at their time."""
        return [
            self._publication(
                "event", each.at.utc_s, each.seq, event_content(each, self.unit, quality)
            )
            for each in events
        ]

    def everything(self, state: State, utc_s: float | None) -> list[Publication]:
        """Every retained topic as it is now: for a broker that may have forgotten them."""
        seq = state.next_seq - 1
        alarms = zip(state.alarms, self.setpoints.alarms, strict=True)
        return [self.state(state, utc_s), *(self.alarm(a, s, seq) for a, s in alarms)]

    def changes(
        self, before: State, after: State, events: Iterable[Event], utc_s: float | None
    ) -> list[Publication]:
        """What a step publishes: its events, then the retained topics that now say otherwise."""
        published = self.events(events, after.sample.quality)
        if len(before.alarms) != len(after.alarms):
            return [*published, *self.everything(after, utc_s)]
        alarms = zip(before.alarms, after.alarms, self.setpoints.alarms, strict=True)
        published += [
            self.alarm(new, setting, after.next_seq - 1)
            for old, new, setting in alarms
            if _alarm_news(old) != _alarm_news(new)
        ]
        if _state_news(before) != _state_news(after) or self._life_differs(before, after):
            published.append(self.state(after, utc_s))
        return published

    def _life_differs(self, before: State, after: State) -> bool:
        if before.filter_life is after.filter_life:
            return False
        return self._life(before) != self._life(after)

    def _life(self, state: State) -> Fields:
        return life_content(state.filter_life, self.setpoints.seasoning_h, self.unit)

    def _by_request(self, points: Iterable[SetPointOverride]) -> list[Fields]:
        """What is not as the settings file has it, and who changed it when."""
        return [
            {
                "set_point": each.set_point.value,
                "in_force": point_content(each.set_point, each.value, self.unit),
                "settings": point_content(each.set_point, each.configured, self.unit),
                "by": each.by,
                "utc": utc_text(each.utc_s),
            }
            for each in points
        ]

    def _held(self, held: PendingChange | None) -> Fields | None:
        """A change that waits for its confirmation."""
        if held is None:
            return None
        return {
            "change": held.change,
            "points": points_content(held.points, self.unit),
            "by": held.by,
            "until": utc_text(held.until_utc_s),
        }

    def _upkeep(self, items: Iterable[MaintenanceTask]) -> list[Fields]:
        texts = {task.name: task.text for task in self.setpoints.maintenance}
        return [
            {
                "upkeep": item.name,
                "due": item.due,
                "done": utc_text(item.done_utc_s),
                "text": texts.get(item.name, ""),
            }
            for item in items
        ]

    def _permissive(self, permissive: Permissive) -> Fields:
        reason = permissive.reason
        return {
            "name": permissive.name,
            "met": permissive.met.value,
            "reason": reason and sentence(reason, self.unit),
            "reason_code": reason and reason.code.value,
        }


_SHOWN = frozenset(IN_VIEW) - {AlarmState.NORMAL}
UNACKNOWLEDGED = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
)


def _alarm_news(alarm: Alarm) -> tuple[object, ...]:
    """What of an alarm is worth publishing again when it changes: not its delays."""
    return alarm.state, alarm.condition_active, alarm.reason, alarm.by, alarm.why, alarm.until_s


def _state_news(state: State) -> tuple[object, ...]:
    """What of a state is worth publishing again when it changes: not the numbers in its sentences,
    which may differ at every poll, nor air, which is counted after each pulse. The filter's life is
    compared as it is published, since it differs in each state."""
    decision, sample, book = state.decision, state.sample, state.log_book
    return (
        *(decision.mode, decision.phase, decision.kind, decision.reason.code),
        *((p.name, p.met, p.reason and p.reason.code) for p in decision.permissives),
        *(sample.quality, *(reason.code for reason in sample.reasons)),
        *(state.blower.running, state.pulsing.counts, state.pulsing.last_valve),
        *(state.zero.offset_pa, book.filters_changed_utc_s, state.set_point_overrides),
        *((item.name, item.due, item.done_utc_s) for item in book.maintenance.tasks),
        *((a.name, a.state, a.condition_active) for a in state.alarms if a.state not in IN_VIEW),
        *(a.name for a in state.alarms if a.state in _SHOWN),
    )


def _spread(spread: Spread | None) -> Fields | None:
    """Null where there was no good reading."""
    if spread is None:
        return None
    return {
        "min": quantity(spread.min_pa, "Pa", digits=2),
        "mean": quantity(spread.mean_pa, "Pa", digits=2),
        "max": quantity(spread.max_pa, "Pa", digits=2),
    }


# Polls come a little sooner or later than they should: with a heartbeat of one poll, every second
# of them would be passed over.
_EARLY = 0.95


@record
class Deadbands:
    """Pressures that differ by less than this from the last ones reported are no news, Pa."""

    dp_pa: float
    header_pa: float


class ExceptionReporter:
    """Remembers what was reported last. ``every_s``: the heartbeat, after which it is due
    whatever has changed; ``deadbands`` None: only then, and when the quality changes."""

    def __init__(self, every_s: float, deadbands: Deadbands | None) -> None:
        self._every_s = every_s
        self._deadbands = deadbands
        self._reported: tuple[float, State] | None = None

    def is_due(self, state: State, mono_s: float) -> bool:
        """Whether the measurement is to be reported now; if so it counts as reported."""
        due = self._reported is None or self._is_news(state, mono_s, *self._reported)
        if due:
            self._reported = mono_s, state
        return due

    def _is_news(self, state: State, mono_s: float, then_s: float, then: State) -> bool:
        if mono_s - then_s >= _EARLY * self._every_s:
            return True
        if self._deadbands is None:
            return state.sample.quality is not then.sample.quality
        return (
            state.contacts != then.contacts
            or state.blower.running is not then.blower.running
            or _differs(state.sample, then.sample, self._deadbands.dp_pa)
            or _differs(state.header, then.header, self._deadbands.header_pa)
        )


def _differs(now: Sample | None, reported: Sample | None, deadband_pa: float) -> bool:
    if now is None or reported is None:
        return now is not reported
    if now.quality is not reported.quality:
        return True
    if now.pa is None or reported.pa is None:
        return now.pa is not reported.pa
    return abs(now.pa - reported.pa) >= deadband_pa
