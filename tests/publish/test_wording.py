"""Every reason has its sentence, and every sentence can be said with what the core gives it."""

import ast
import re
import string
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import dustcake
from dustcake.core.alarms.names import AlarmName
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.state import State
from dustcake.core.step import Step
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.wording import duration, header_unit, number, sentence
from dustcake.units import PressureUnit
from examples import explore
from publish.histories import SETPOINTS, live, reasons_in

INH2O, PA, MBAR = PressureUnit.INH2O, PressureUnit.PA, PressureUnit.MBAR
# Where reasons are given: in the core, and for requests it never sees where they come in.
GIVING = [
    file
    for room in ("core", "publish", "runtime")
    for file in sorted((Path(dustcake.__file__).parent / room).rglob("*.py"))
]


def names_in(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def test_every_code_has_a_sentence_of_its_own_name() -> None:
    for code in Because:
        assert code.value == code.name.lower()
        assert code.template == code.template.strip() != ""


def test_every_alarm_has_its_texts_and_none_is_left_over() -> None:
    assert set(ALARM_TEXTS) == set(AlarmName)
    for text in ALARM_TEXTS.values():
        for part in (text.title, text.consequence, text.action):
            assert part == part.strip() != ""
        assert not text.title.endswith(".")
        assert text.consequence.endswith(".")
        assert text.action.endswith(".")
        assert len(text.title) <= 50, "a title must fit a lamp or a list"


AT_THE_EQUIPMENT = re.compile(r"\b(filters?|doors?|seats?|valves?|diaphragm|blow pipe|starter)\b")


def test_who_is_sent_to_the_equipment_is_reminded_of_lock_out() -> None:
    sent = [text for text in ALARM_TEXTS.values() if AT_THE_EQUIPMENT.search(text.action)]
    assert len(sent) >= 10
    for text in sent:
        assert re.search("lock[ -]out", text.action, re.IGNORECASE), text.title
        assert "by the site's" in text.action, text.title


def test_a_valve_that_stays_open_may_be_stuck_or_held() -> None:
    """The alarm is raised by a header that empties as well as by an output that reads energised."""
    text = ALARM_TEXTS[AlarmName.VALVE_STUCK_OPEN]
    assert "output" not in text.title
    likely = text.causes
    for part in ("diaphragm", "pilot", "ice", "dirt", "output module"):
        assert part in likely


# -- what the core's source gives each reason ---------------------------------------------------


def code_of(node: ast.expr) -> Because | None:
    """The code that ``Because.X`` in the source stands for."""
    match node:
        case ast.Attribute(value=ast.Name(id="Because"), attr=name):
            return Because[name]
    return None


ASKED_FOR = ("find", "cleared", "_doubt")  # functions that look for a code and build nothing


def is_built(call: ast.Call) -> bool:
    return isinstance(call.func, ast.Name) and call.func.id in ("because", "Reason")


def is_asking(call: ast.Call) -> bool:
    return isinstance(call.func, ast.Name) and call.func.id in ASKED_FOR


def chosen_before() -> Iterator[tuple[str, Because, set[str]]]:
    """As ``reasons_given``: codes assigned alone or as the first of several values, ``code, seen =
    ...``, in a function that then builds the reason from ``code``."""
    for file in GIVING:
        for function in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(function, ast.FunctionDef):
                continue
            inner = list(ast.walk(function))
            values = [each.value for each in inner if isinstance(each, ast.Assign)]
            firsts = [
                each.elts[0] if isinstance(each, ast.Tuple) and each.elts else each
                for each in values
            ]
            codes = [code for each in firsts if (code := code_of(each)) is not None]
            built = [each for each in inner if isinstance(each, ast.Call) and is_built(each)]
            for call in built:
                if not isinstance(call.args[0] if call.args else None, ast.Name):
                    continue
                numbers = {keyword.arg or "**" for keyword in call.keywords}
                for code in codes:
                    yield f"{file.name}:{call.lineno}", code, numbers


def reasons_given() -> Iterator[tuple[str, Because, set[str]]]:
    """Where, which reason, and the numbers given to it. A code that is handed to a function of
    another name, which then builds the reason, is given none."""
    for file in GIVING:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or is_asking(node):
                continue
            for i, argument in enumerate(node.args):
                numbers: set[str] = set()
                if is_built(node) and i == 0:
                    numbers = {keyword.arg or "**" for keyword in node.keywords}
                either = [argument]
                if isinstance(argument, ast.IfExp):
                    either = [argument.body, argument.orelse]
                for one in either:
                    if (code := code_of(one)) is not None:
                        assert i == 0 or not is_built(node)
                        yield f"{file.name}:{node.lineno}", code, numbers


def test_the_core_gives_every_number_that_a_sentence_names() -> None:
    found = [*reasons_given(), *chosen_before()]
    assert len(found) > 50, "the source is no longer read as it is written"
    for place, code, numbers in found:
        missing = names_in(code.template) - {"detail"} - numbers
        assert not missing, f"{place}: {code.name} needs {missing}"


def test_every_code_is_used() -> None:
    used = {code for _, code, _ in (*reasons_given(), *chosen_before())}
    chosen_first = {  # picked into a variable, and built from that
        code
        for file in GIVING
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.IfExp)
        for branch in (node.body, node.orelse)
        if (code := code_of(branch)) is not None
    }
    assert used | chosen_first == set(Because)
    for code in chosen_first - used:
        assert names_in(code.template) <= {"detail"}, f"{code.name} is built without numbers"


reached: Counter[str] = Counter()
met: set[Because] = set()


@given(st.data())
def _histories(data: st.DataObject) -> None:
    def tell(_before: State, done: Step) -> None:
        for reason in reasons_in(done):
            assert isinstance(reason, Reason)
            met.add(reason.code)
            reached["40 codes"] += len(met) == 40
            for unit in PressureUnit:
                said = sentence(reason, unit)
                assert said == said.strip() != ""
                assert "()" not in said
                assert "None" not in said

    live(data, tell, data.draw(st.sampled_from(SETPOINTS)))


def test_whatever_the_core_gives_as_a_reason_can_be_said() -> None:
    reached.clear()
    met.clear()
    explore(_histories, 150, reached, {"40 codes"})


# -- units, numbers, times ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        (INH2O, "dP 4.01 inH2O has reached the high set point of 4.00 inH2O"),
        (PA, "dP 1000 Pa has reached the high set point of 996 Pa"),
        (MBAR, "dP 10.00 mbar has reached the high set point of 9.96 mbar"),
    ],
)
def test_a_dp_is_said_in_the_unit_people_chose(unit: PressureUnit, expected: str) -> None:
    reason = because(Because.HIGH_REACHED, dp_pa=1000.0, high_pa=996.35564)
    assert sentence(reason, unit) == expected


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        (INH2O, "header pressure is below 60.0 psi"),
        (PA, "header pressure is below 4.14 bar"),
        (MBAR, "header pressure is below 4.14 bar"),
    ],
)
def test_header_pressure_is_said_as_its_gauge_shows_it(unit: PressureUnit, expected: str) -> None:
    reason = because(Because.HEADER_LOW, header_pa=413_000.0, min_pa=60 * 6894.757293168361)
    assert sentence(reason, unit) == expected
    assert number("header_pa", 550_000.0, PA) == "5.50 bar"
    high = because(Because.HEADER_HIGH, max_pa=758_423.3)
    assert sentence(high, INH2O) == "header pressure is above 110.0 psi"
    assert number("min_pa", 75.0, PA) == "75 Pa", "a least dP is a dP"
    assert sentence(Reason(Because.HEADER_LOW), PA) == "header pressure is below ?"
    assert header_unit(INH2O) is PressureUnit.PSI


@pytest.mark.parametrize(
    ("duration_s", "expected"),
    [
        (0.0, "0 s"),
        (0.15, "0.15 s"),
        (0.05, "0.05 s"),
        (5.0, "5 s"),
        (45.25, "45.2 s"),
        (60.0, "1 min"),
        (90.0, "90 s"),
        (119.9, "120 s"),
        (120.0, "2 min"),
        (150.0, "2.5 min"),
        (900.0, "15 min"),
        (3600.0, "1 h"),
        (5400.0, "90 min"),
        (7200.0, "2 h"),
        (9000.0, "2.5 h"),
        (86_400.0, "1 d"),
        (172_800.0, "2 d"),
    ],
)
def test_a_time_is_said_in_the_unit_that_keeps_it_short(duration_s: float, expected: str) -> None:
    assert duration(duration_s) == expected


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("current_ma", 3.456, "3.46 mA"),
        ("cycles", 10, "10"),
        ("share_percent", 12.345, "12.3 %"),
        ("words", 2, "2"),
        ("settle_s", 10.0, "10 s"),
        ("dp_pa", -0.0001, "0.00 inH2O"),
    ],
)
def test_the_ending_of_a_name_tells_the_unit(name: str, value: float, expected: str) -> None:
    assert number(name, value, INH2O) == expected


@pytest.mark.parametrize(
    ("why", "reason", "expected"),
    [
        (
            "a device's own words are passed on as they are, braces and all",
            because(Because.OUTPUTS_FAULT, "bus {b}: no reply"),
            "the outputs do not follow their commands (bus {b}: no reply)",
        ),
        (
            "a count is a count",
            because(Because.PULSES_FAIL, failures=3),
            "the last 3 pulses were not carried out",
        ),
        (
            "no empty brackets where nobody said anything",
            because(Because.JOURNAL_FAULT),
            "the journal cannot be written",
        ),
        (
            "a name from outside cannot break the line or the screen",
            because(Because.NO_SUCH_ALARM, "a\n\ud800"),
            "there is no alarm called 'a\\n\\ud800'",
        ),
    ],
)
def test_words_from_outside(why: str, reason: Reason, expected: str) -> None:
    assert sentence(reason, INH2O) == expected, why


def test_a_number_that_another_version_did_not_record_is_a_question_mark() -> None:
    old = Reason(Because.ABOVE_LIMIT, (("dp_pa", 1500.0),))
    assert sentence(old, PressureUnit.PA) == "dP 1500 Pa is above the limit of ?"
