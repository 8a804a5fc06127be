"""Every kind of request: its name, who may make it, and its fields. Parser, JSON Schema and command
line are made from these. What becomes of it is said in ``handling``.
"""

from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import partial
from typing import Any

from dustcake.core.record import record
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetPoint,
    SetZero,
)

LONGEST_LABEL = 64
LONGEST_TEXT = 200
_NUMBERS_BELOW = 10**9


class Level(StrEnum):
    """What somebody may do; each level includes those before it."""

    VIEW = "view"  # see everything
    ACKNOWLEDGE = "acknowledge"  # and acknowledge, reset and shelve alarms, write the log book
    ADJUST = "adjust"  # and select modes, change set points, take alarms out, blower, zero

    def includes(self, other: "Level") -> bool:
        """Whether whoever has this level may do what ``other`` is needed for."""
        order = list(Level)
        return order.index(self) >= order.index(other)

    def may_request(self, name: str) -> bool:
        """Whether somebody of this level may make a request of the kind called ``name``."""
        needed = LEVEL_NEEDED.get(name)
        return needed is not None and self.includes(needed)


class FieldType(StrEnum):
    """What the value of a field is, in JSON."""

    CHOICE = "choice"  # one of ``choices``
    ALARM = "alarm"  # the name of an alarm
    FLAG = "flag"
    WHOLE = "whole"  # a whole number
    WHOLES = "wholes"  # a list of them
    NUMBER = "number"
    DURATION = "duration"  # the same, of seconds, which people give as a length of time
    LABEL = "label"  # a short printable text
    TEXT = "text"  # a longer one


@record
class Field:
    """One field of a request. ``must_be``: what its value has to be, in words; ``about``: what it
    is, for a list of options. ``optional``: it may be left out; ``not_empty``: then, or where it is
    empty, the core refuses the request. ``only_with``: it belongs to a request with that other
    field at that value, and to no other."""

    name: str
    value_type: FieldType
    must_be: str = ""
    about: str = ""
    optional: bool = False
    not_empty: bool = False
    choices: type[StrEnum] | None = None
    only_with: tuple[str, str] | None = None

    def value_of(self, given: Any) -> Any:
        """The value that ``given``, from JSON, stands for. Raises ValueError with what it must
        be."""
        match self.value_type:
            case FieldType.CHOICE if self.choices is not None and given in list(self.choices):
                return self.choices(given)
            case FieldType.FLAG if isinstance(given, bool):
                return given
            case FieldType.WHOLE if type(given) is int and abs(given) < _NUMBERS_BELOW:
                return given
            case FieldType.WHOLES if isinstance(given, list):
                if all(type(each) is int for each in given):
                    return tuple(given)
            case FieldType.NUMBER | FieldType.DURATION if type(given) in (int, float):
                if abs(given) < _NUMBERS_BELOW:
                    return float(given)
            case FieldType.LABEL | FieldType.ALARM if is_label(given):
                return given
            case FieldType.TEXT if is_label(given, LONGEST_TEXT):
                return given
        choices = f"one of {', '.join(self.choices or ())}"
        raise ValueError(
            f"`{self.name}` must be {self.must_be or _MUST_BE.get(self.value_type, choices)}"
        )


_MUST_BE = {
    FieldType.FLAG: "true or false",
    FieldType.ALARM: "the name of an alarm",
    FieldType.TEXT: f"a text of at most {LONGEST_TEXT} characters",
}


def is_label(value: object, longest: int = LONGEST_LABEL) -> bool:
    """A short printable text: it will stand in logs, on screens and in replies."""
    return isinstance(value, str) and len(value) <= longest and value.isprintable()


@record
class RequestKind:
    """One kind of request. ``about``: what it does, in a line; ``make``: the record of it, from its
    fields; ``name_required``: whoever makes it has to say who they are; ``any_of``: its fields are
    all optional (also null), but one has to be there."""

    name: str
    level: Level
    about: str
    make: Callable[..., Request]
    fields: tuple[Field, ...]
    name_required: bool = False
    any_of: bool = False

    def request(self, given: Mapping[str, Any]) -> Request:
        """The request that the fields ``given`` make. Raises ValueError, saying what is wrong.
        Unknown fields are refused, so that a mistyped one is not silently ignored."""
        rest = dict(given)
        values: dict[str, Any] = {}
        for field in self.fields:
            if field.only_with is None or field.only_with in values.items():
                self._take(field, rest, values)
        if self.any_of and not values:
            names = ", ".join(field.name for field in self.fields)
            raise ValueError(f"at least one of {names} must be there")
        if rest:
            # Escaped and cut: it goes back to the requester, and a lone surrogate has no UTF-8.
            unknown = min(rest)[:LONGEST_LABEL]
            raise ValueError(f"unknown field {unknown!a} in a request of kind `{self.name}`")
        return self.make(**values)

    def _take(self, field: Field, rest: dict[str, Any], values: dict[str, Any]) -> None:
        if field.optional and field.name not in rest:
            return
        given = rest.pop(field.name, None)
        if given is not None or not self.any_of:
            values[field.name] = field.value_of(given)


_ALARM = Field("alarm", FieldType.ALARM)
_WHY = Field("why", FieldType.TEXT, "", "why, for the record (may be left out)", optional=True)
_WHY_HIDDEN = Field("why", FieldType.TEXT, "", "why, for the record", optional=True, not_empty=True)
_NOTE = Field("note", FieldType.TEXT, optional=True, about="to be noted with it")


def _alarm_action(
    action: AlarmAction, level: Level, about: str, *more: Field, hides: bool = False
) -> RequestKind:
    return RequestKind(
        action.value,
        level,
        about,
        partial(HandleAlarm, action),
        (_ALARM, _WHY_HIDDEN if hides else _WHY, *more),
        name_required=hides,
    )


def _set_point(point: SetPoint, about: str) -> Field:
    unit = "Pa" if point.is_pressure else "seconds"
    return Field(point.value, FieldType.NUMBER, f"a number of {unit}", about, optional=True)


# Whoever hides an alarm or moves a set point answers for it, and a log book says who wrote in it:
# for these whoever makes the request has to say who they are.
KINDS: tuple[RequestKind, ...] = (
    RequestKind(
        "mode",
        Level.ADJUST,
        "select the cleaning mode",
        SelectMode,
        (Field("mode", FieldType.CHOICE, choices=Mode),),
    ),
    RequestKind(
        "zero",
        Level.ADJUST,
        "take the present dP as zero, with the blower off",
        SetZero,
        (
            Field(
                "blower_off_confirmed",
                FieldType.FLAG,
                about="where no contact proves it: you have seen that the blower stands still",
                optional=True,
            ),
        ),
    ),
    RequestKind("acknowledge", Level.ACKNOWLEDGE, "acknowledge an alarm", Acknowledge, (_ALARM,)),
    _alarm_action(
        AlarmAction.RESET,
        Level.ACKNOWLEDGE,
        "reset an alarm that latches, when it is no longer active",
    ),
    _alarm_action(
        AlarmAction.SHELVE,
        Level.ACKNOWLEDGE,
        "set an alarm aside for a limited time",
        Field(
            "for_s",
            FieldType.DURATION,
            "the number of seconds it is shelved for",
            "how long, as 30min or 8h",
        ),
        hides=True,
    ),
    _alarm_action(AlarmAction.UNSHELVE, Level.ACKNOWLEDGE, "take it back before that time is over"),
    _alarm_action(
        AlarmAction.OUT_OF_SERVICE,
        Level.ADJUST,
        "take an alarm out, until somebody puts it back",
        hides=True,
    ),
    _alarm_action(AlarmAction.IN_SERVICE, Level.ADJUST, "put it back"),
    RequestKind(
        "blower",
        Level.ADJUST,
        "set or withdraw the blower run request",
        RunBlower,
        (Field("run", FieldType.FLAG),),
    ),
    RequestKind(
        "pulse",
        Level.ADJUST,
        "pulse one valve once, for somebody who watches it",
        PulseValve,
        (Field("valve", FieldType.WHOLE, "the number of a valve"),),
    ),
    RequestKind(
        "filter_change",
        Level.ACKNOWLEDGE,
        "put a change of filters on record",
        RecordFilterChange,
        (
            _NOTE,
            Field(
                "valves",
                FieldType.WHOLES,
                "a list of the numbers of the valves whose rows were changed",
                "valves of the rows that were changed, if not all were",
                optional=True,
            ),
        ),
        name_required=True,
    ),
    RequestKind(
        "record",
        Level.ACKNOWLEDGE,
        "write in the log book",
        RecordEntry,
        (
            Field("entry", FieldType.CHOICE, choices=Entry),
            _NOTE,
            Field(
                "upkeep",
                FieldType.LABEL,
                "the name of the upkeep that has been done",
                "for upkeep_done: which",
                only_with=("entry", Entry.UPKEEP_DONE.value),
            ),
        ),
        name_required=True,
    ),
    RequestKind(
        "set_points",
        Level.ADJUST,
        "change set points, within the limits of the settings; `confirm` makes it act",
        ChangeSetPoints,
        (
            _set_point(SetPoint.LOW, "low set point, as 3.0inH2O"),
            _set_point(SetPoint.HIGH, "high set point, as 3.0inH2O"),
            _set_point(SetPoint.INTERVAL, "pulse to pulse"),
            _set_point(SetPoint.ON_TIME, "of a valve"),
        ),
        name_required=True,
        any_of=True,
    ),
    RequestKind(
        "confirm",
        Level.ADJUST,
        "let the change of set points take effect",
        ConfirmChange,
        (
            Field(
                "change",
                FieldType.WHOLE,
                "the number of the change, as in the answer to `set_points`",
                "its number, from the answer to set_points",
            ),
        ),
        name_required=True,
    ),
)

KIND_OF: dict[str, RequestKind] = {kind.name: kind for kind in KINDS}
REQUESTS = tuple(KIND_OF)
"""The names of all kinds of request."""

LEVEL_NEEDED: dict[str, Level] = {
    **{kind.name: kind.level for kind in KINDS},
    "commission": Level.ADJUST,  # no request to the core; only panel and local socket have it
}
"""The level each kind of request needs, of panel, MQTT and Sparkplug B alike. What is not here is
refused to everybody but on the local socket."""

_NAMES = {kind.make: kind.name for kind in KINDS}


def name_of(request: Request) -> str:
    """The name of the kind that ``request`` is of."""
    return request.action.value if isinstance(request, HandleAlarm) else _NAMES[type(request)]
