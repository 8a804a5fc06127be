"""config/alarms.md is what the code says, and draws every transition there is."""

import re
from pathlib import Path

from dustcake.core.alarms.names import IN_VIEW, TABLE, AlarmName, AlarmState, Trigger
from dustcake.publish.alarm_manual import alarm_manual
from dustcake.settings.monitoring import DEFAULT_ALARMS

FILE = Path(__file__).parents[2] / "config" / "alarms.md"
TEXT = alarm_manual(DEFAULT_ALARMS.values())


def test_the_file_in_the_repository_is_fresh() -> None:
    fresh = FILE.read_text(encoding="utf-8") == TEXT
    assert fresh, "run: dustcake schema alarms --output config/alarms.md"


def test_the_diagram_draws_every_transition_and_no_other() -> None:
    drawn: set[tuple[str, str, str]] = set()
    for source, to, trigger in re.findall(r"^ +(\w+) --> (\w+): (\w+)$", TEXT, re.MULTILINE):
        sources = IN_VIEW if source == "in_view" else [AlarmState(source)]
        drawn |= {(each, trigger, to) for each in sources if each != to}
    there = {(state, trigger, to) for (state, trigger), to in TABLE.items() if state is not to}
    assert drawn - there == set(), "drawn and not so"
    stays = {("shelved", "shelve"), ("suppressed_by_design", "suppress")}
    assert there - drawn == set(), "not drawn"
    assert {(state, trigger) for (state, trigger), to in TABLE.items() if state is to} == stays


def test_the_table_has_every_cell() -> None:
    rows = re.findall(rf"^\| (?:{'|'.join(AlarmState)}) \|.*$", TEXT, re.MULTILINE)
    cells = {
        (row.split(" | ")[0].removeprefix("| "), trigger): cell.strip(" |")
        for row in rows
        for trigger, cell in zip(Trigger, row.split(" | ")[1:], strict=True)
    }
    assert {place: to for place, to in cells.items() if to} == dict(TABLE)


def test_every_alarm_is_described() -> None:
    assert re.findall(r"^### .* \(`(\w+)`\)$", TEXT, re.MULTILINE) == list(DEFAULT_ALARMS)
    assert set(DEFAULT_ALARMS) == set(AlarmName)
