"""config/alarms.md: the life of an alarm drawn from its table, what explains what, every alarm."""

from collections.abc import Iterable

from dustcake.core.alarms.catalogue import EXPLAINS
from dustcake.core.alarms.names import IN_VIEW, TABLE, AlarmSetting, AlarmState, Trigger
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.wording import duration

_MANUAL = """\
# Alarms

Written by `dustcake schema alarms --output config/alarms.md` from the code that works by it.

## The life of an alarm

States and transitions are those of ISA-18.2-2016 / IEC 62682:2022 (from memory); how a condition is
judged before it raises or clears anything follows OPC UA Part 9, v1.05. `explain` and `disable` are
ours. An alarm that comes back from out of view is judged afresh; one that latches has not forgotten
that it was active.

```mermaid
stateDiagram-v2
    [*] --> normal
    state in_view {{
{within_view}
    }}
{other_ways}
```

{cells}

## One fault, one alarm

While the alarm on the left is active, those on the right that come up are suppressed by design,
shown with the cause. They are raised when the cause has gone and their condition still holds for
their on-delay. One that was raised before its cause keeps its place.

| cause | explains |
| --- | --- |
{explained}

## Every alarm

Delays and priorities are defaults; `[collector.alarms.override.NAME]` changes them, makes an alarm
latch, or takes it out. Texts are common practice, no source.

{alarms}"""


def alarm_manual(settings: Iterable[AlarmSetting]) -> str:
    """The whole file."""
    header = [f"| from \\ trigger | {' | '.join(Trigger)} |", f"| --- |{' --- |' * len(Trigger)}"]
    return _MANUAL.format(
        **_drawing(),
        cells="\n".join([*header, *map(_row, AlarmState)]),
        explained="\n".join(f"| {cause} | {', '.join(of)} |" for cause, of in EXPLAINS.items()),
        alarms="\n".join(map(_one, settings)),
    )


def _drawing() -> dict[str, str]:
    """The transitions: within view, and all others; what leads to one state from everywhere in view
    is drawn once."""
    within, others = [], []
    shared = {trigger: to for trigger in Trigger if (to := _from_everywhere(trigger)) is not None}
    others += [f"    in_view --> {to}: {trigger}" for trigger, to in shared.items()]
    for (state, trigger), to in TABLE.items():
        if state not in IN_VIEW:
            others.append(f"    {state} --> {to}: {trigger}")
        elif trigger not in shared:
            within.append(f"        {state} --> {to}: {trigger}")
    return {"within_view": "\n".join(within), "other_ways": "\n".join(others)}


def _from_everywhere(trigger: Trigger) -> AlarmState | None:
    """Where it leads from every state in view but that one itself; None where they differ."""
    targets = {TABLE.get((state, trigger)) for state in IN_VIEW} - {None}
    if len(targets) != 1:
        return None
    (to,) = targets
    everywhere = all((state, trigger) in TABLE or state is to for state in IN_VIEW)
    return to if everywhere else None


def _row(state: AlarmState) -> str:
    return f"| {state} | {' | '.join(TABLE.get((state, each), '') for each in Trigger)} |"


def _one(setting: AlarmSetting) -> str:
    text = ALARM_TEXTS[setting.name]
    on, off = duration(setting.on_delay_s), duration(setting.off_delay_s)
    return f"""\
### {text.title} (`{setting.name}`)

Priority {setting.priority}; on-delay {on}, off-delay {off}.

- If nobody acts: {text.consequence}
- Likely causes: {text.causes}.
- What to do: {text.action}
"""
