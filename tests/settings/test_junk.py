"""Whatever a file holds, it is either in order or refused with something to act on."""

import tomllib
from collections import Counter
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st

from dustcake.settings.errors import SettingsError
from dustcake.settings.json_schema import settings_schema, tables_with
from dustcake.settings.load import parse_settings
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.settings.summary import summary
from examples import examples, explore
from settings.files import BLOWER_CONTACT, file_text


def read(text: str) -> Settings | None:
    """What came of it: settings that can be used to the end, or a refusal that says why."""
    try:
        loaded = parse_settings(text)
    except SettingsError as error:
        refusal = error
    else:
        assert_usable(loaded)
        return loaded
    assert refusal.problems
    for problem in refusal.problems:
        assert problem.setting
        assert problem.value
        assert problem.allowed
        assert problem.remedy
        assert str(problem) in str(refusal)
    return None


def assert_usable(loaded: Settings) -> None:
    for collector in loaded.collectors:
        to_setpoints(collector)
    assert list(summary(loaded))


@given(st.text())
@example("\ufeff")
@example("bus = 1979-05-27T07:32:00Z")
@example(f"bus = 0x{'f' * 6000}")
def test_any_text(text: str) -> None:
    read(text)


def names() -> list[str]:
    """Every key that a settings file knows."""
    tables = [settings_schema(), *settings_schema()["$defs"].values()]
    return sorted({key for table in tables for key in table.get("properties", {})})


VALUES = st.sampled_from(
    [
        *["0", "1", "-1", "3", "0.5", "1e400", "-0.0", "inf", "nan", f"0x{'f' * 300}", "true"],
        *['""', '"x"', '"io"', '"west"', '"tcp"', '"3 inH2O"', '"3 inH20"', '"0 Pa"', '"\\u0000"'],
        *['"float32"', '"demand_contact"', '"process"', "[]", "[1]", "[0, 1]", '["0 Pa", "9 Pa"]'],
        *["{}", "[{}]", '{ bus = "io", address = 1 }', '{ bus = "io", coil = 1 }', "[[[]]]"],
        *["2026-11-25", "07:32:00", "2026-11-25T07:32:00Z"],
    ]
)
PLACES = st.sampled_from(
    [
        *["", "cleaning.", "pulsing.", "alarms.", "alarms.override.", "blower.", "zeroing."],
        *["contacts.", "header.", "alarms.override.smoke."],
    ]
)
LINES = st.lists(
    st.tuples(PLACES, st.sampled_from(names()), VALUES).map(lambda t: f"{t[0]}{t[1]} = {t[2]}"),
    max_size=5,
)
TAILS = st.lists(
    st.tuples(
        st.sampled_from(["site", "mqtt", "mqtt.tls", "journal", "control", "bus", "x"]),
        st.sampled_from(names()),
        VALUES,
    ).map(lambda t: f"[{t[0]}]\n{t[1]} = {t[2]}\n"),
    max_size=3,
)

reached: Counter[str] = Counter()


@given(LINES, TAILS)
@example([], [])
@example(["poll_s = 0"], [])
@example([BLOWER_CONTACT, "cleaning.downtime = true"], [])
def _known_keys(lines: list[str], tails: list[str]) -> None:
    text = file_text("\n".join(lines), tail="\n".join(tails))
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        reached["not TOML"] += 1
    else:
        reached["refused" if read(text) is None else "in order"] += 1


def test_known_keys_with_odd_values() -> None:
    reached.clear()
    explore(_known_keys, 400, reached, {"refused", "in order"})


VALUE_TREES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from([*names(), "x"]), inner, max_size=4),
    ),
    max_leaves=12,
)


def as_toml(value: Any) -> str:
    match value:
        case None:
            return "1979-05-27"
        case bool():
            return str(value).lower()
        case int():
            return hex(value) if value >= 0 else str(value)
        case float():
            return repr(value)
        case str():
            return '"' + "".join(f"\\U{ord(c):08x}" for c in value) + '"'
        case list():
            return f"[{', '.join(map(as_toml, value))}]"
        case dict():
            return "{" + ", ".join(f"{k} = {as_toml(v)}" for k, v in value.items()) + "}"
    raise AssertionError(value)


@examples(300)
@given(st.dictionaries(st.sampled_from(names()), VALUE_TREES, max_size=4))
def test_any_tree_of_values(tree: dict[str, Any]) -> None:
    text = "\n".join(f"{key} = {as_toml(value)}" for key, value in tree.items())
    tomllib.loads(text)
    read(text)


@given(st.sampled_from(names()))
def test_every_key_has_a_table(name: str) -> None:
    assert list(tables_with(name))
