"""config/alarms.md: the life of an alarm drawn from its table, what explains what, every alarm."""

from collections.abc import Iterable, Iterator

from dustcake.core.alarms.catalogue import EXPLAINS
from dustcake.core.alarms.names import IN_VIEW, TABLE, AlarmSetting, AlarmState, Trigger
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.wording import duration

_HEAD = """\
# Alarms

Written by `dustcake schema alarms --output config/alarms.md` from the code that works by it.

## The life of an alarm

States and transitions are those of ISA-18.2-2016 / IEC 62682:2022 (from memory); how a condition is
judged before it raises or clears anything follows OPC UA Part 9, v1.05. `explain` and `disable` are
ours. An alarm that comes back from out of view is judged afresh; one that latches has not forgotten
that it was active.
"""
_EXPLAINED = """\
## One fault, one alarm

While the alarm on the left is active, those on the right that come up are suppressed by design,
shown with the cause. They are raised when the cause has gone and their condition still holds for
their on-delay. One that was raised before its cause keeps its place.
"""
_ALL = """\
## Every alarm

Delays and priorities are defaults; `[collector.alarms.override.NAME]` changes them, makes an alarm
latch, or takes it out. Texts are common practice, no source.
"""


def alarm_manual(settings: Iterable[AlarmSetting]) -> str:
    """The whole file."""
    return "\n".join(
        [
            _HEAD,
            *_diagram(),
            "",
            *_table(),
            "",
            _EXPLAINED,
            "| cause | explains |",
            "| --- | --- |",
            *(f"| {cause} | {', '.join(names)} |" for cause, names in EXPLAINS.items()),
            "",
            _ALL,
            *(line for setting in settings for line in _one(setting)),
        ]
    )


def _diagram() -> Iterator[str]:
    yield "```mermaid"
    yield "stateDiagram-v2"
    yield "    [*] --> normal"
    yield "    state in_view {"
    shared = {trigger: to for trigger in Trigger if (to := _from_everywhere(trigger)) is not None}
    for (state, trigger), to in TABLE.items():
        if state in IN_VIEW and trigger not in shared:
            yield f"        {state} --> {to}: {trigger}"
    yield "    }"
    for trigger, to in shared.items():
        yield f"    in_view --> {to}: {trigger}"
    for (state, trigger), to in TABLE.items():
        if state not in IN_VIEW:
            yield f"    {state} --> {to}: {trigger}"
    yield "```"


def _from_everywhere(trigger: Trigger) -> AlarmState | None:
    """Where it leads from every state in view but that one itself; None where they differ."""
    targets = {TABLE.get((state, trigger)) for state in IN_VIEW} - {None}
    if len(targets) != 1:
        return None
    (to,) = targets
    everywhere = all((state, trigger) in TABLE or state is to for state in IN_VIEW)
    return to if everywhere else None


def _table() -> Iterator[str]:
    yield f"| from \\ trigger | {' | '.join(Trigger)} |"
    yield f"| --- | {' | '.join('---' for _ in Trigger)} |"
    for state in AlarmState:
        cells = (TABLE.get((state, trigger), "") for trigger in Trigger)
        yield f"| {state} | {' | '.join(cells)} |"


def _one(setting: AlarmSetting) -> Iterator[str]:
    text = ALARM_TEXTS[setting.name]
    on, off = duration(setting.on_delay_s), duration(setting.off_delay_s)
    yield f"### {text.title} (`{setting.name}`)"
    yield ""
    yield f"Priority {setting.priority}; on-delay {on}, off-delay {off}."
    yield ""
    yield f"- If nobody acts: {text.consequence}"
    yield f"- Likely causes: {'; '.join(text.causes)}."
    yield f"- What to do: {text.action}"
    yield ""
