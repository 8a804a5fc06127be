"""The JSON Schema, and the example files that are checked against it and against the model."""

import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from dustcake.cli.schema import TEXTS
from dustcake.settings.json_schema import expanded_schema, settings_schema
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from settings.files import file_text

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(settings_schema())


def test_it_is_a_schema_of_its_draft() -> None:
    assert settings_schema()["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]
    jsonschema.Draft202012Validator.check_schema(settings_schema())


def test_the_file_in_the_repository_is_fresh() -> None:
    fresh = (CONFIG / "schema.json").read_text(encoding="utf-8") == TEXTS["settings"]()
    assert fresh, "run: dustcake schema --output config/schema.json"


def test_there_are_examples() -> None:
    assert {path.stem for path in EXAMPLES} >= {
        "four_valves_tcp",
        "serial_sequencer",
        "two_collectors_one_bus",
        "simulated",
    }


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_are_in_order(path: Path) -> None:
    for collector in load_settings(path).collectors:
        to_setpoints(collector)
    text = path.read_text(encoding="utf-8")
    assert text.startswith("#:schema ./schema.json\n")
    validator().validate(tomllib.loads(text))


@pytest.mark.parametrize(
    ("lines", "good"),
    [
        ("", True),
        ("poll_s = 0", False),
        ("poll_z = 1", False),
        ("cleaning.high = 4.0", False),
        ('cleaning.high = "4.0 inH20"', False),
        ('cleaning.high = "4.0 inH2O"', True),
        ("alarms.override.smoke = {}", True),
        ("alarms.override.smokee = {}", False),
        ("pulsing.order = [1, 2.5]", False),
        ("contacts.smoke = { address = 1 }", False),
    ],
)
def test_it_judges_as_the_model_does(lines: str, good: bool) -> None:
    assert validator().is_valid(tomllib.loads(file_text(lines))) is good


def properties() -> list[tuple[str, str, dict[str, Any]]]:
    tables = {"": expanded_schema(), **expanded_schema()["$defs"]}
    return [
        (table, name, entry)
        for table, schema in tables.items()
        for name, entry in schema.get("properties", {}).items()
    ]


def test_every_setting_is_described() -> None:
    described = {(table, name): entry.get("description") for table, name, entry in properties()}
    assert len(described) > 100
    assert not [place for place, description in described.items() if not description]


def test_defaults_are_as_written_in_a_file() -> None:
    by_name = {(table, name): entry for table, name, entry in properties()}
    assert by_name["Cleaning", "high"]["default"] == "4 inH2O"
    assert by_name["Pulsing", "on_time_s"]["default"] == 0.15
    assert by_name["Cleaning", "mode"]["default"] == "on_demand"
    for entry in by_name.values():
        if "default" in entry:
            assert entry["default"] is not None
            rooted = {**settings_schema(), **entry}
            rooted.pop("properties", None)
            rooted.pop("required", None)
            rooted["type"] = entry.get("type", "string")
            jsonschema.Draft202012Validator(rooted).validate(entry["default"])
