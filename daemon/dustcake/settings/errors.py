"""What is wrong with a settings file, in words people can act on and in a form programs can read:
problems, the places they name, and the validator's errors put in the words of the file."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic_core import ErrorDetails

from dustcake.settings.base import FORMS, NAME_PATTERN
from dustcake.settings.json_schema import Schema, schema_at, tables_with

NAMED_LISTS = ("bus", "collector")

Location = tuple[int | str, ...]

_NOT_SHOWN = "(not shown)"
_SECRET = re.compile("pass|pwd|secret|token|credential", re.IGNORECASE)
_TYPES = {
    "string": "a string",
    "boolean": "true or false",
    "integer": "a whole number",
    "number": "a number",
    "array": "an array",
    "object": "a table",
}
_TYPES_GIVEN = dict(zip((str, bool, int, float, list, dict), _TYPES.values(), strict=True))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right.

    ``setting``: dotted path as in the file, with the name of the bus or collector in brackets
    (``#2`` for the second where it has no usable name). ``value``: what stands there, never a
    secret. ``allowed``: what may stand there. ``remedy``: what to do. ``involves``: the other
    settings it was compared with.
    """

    setting: str
    value: str
    allowed: str
    remedy: str
    involves: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.setting}: {self.value}\n  allowed: {self.allowed}\n  remedy:  {self.remedy}"


class SettingsError(Exception):
    """The settings cannot be used. ``source``: the file. ``problems``: everything wrong in it."""

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__(source, self.problems)

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.source}: {count} problem{'' if count == 1 else 's'} in the settings"
        return "\n".join([head, *map(str, self.problems)])


Labels = Mapping[str, list[str]]
"""How the elements of the named lists are called: by name where it is usable, else ``#2``."""


def labels_of(data: Mapping[str, Any]) -> Labels:
    """The labels of the buses and collectors of ``data``."""
    return {key: _labels_in(data.get(key)) for key in NAMED_LISTS}


def _labels_in(elements: object) -> list[str]:
    if not isinstance(elements, list):
        return []
    names = list(map(_usable_name, elements))
    return [
        name if name and names.count(name) == 1 else f"#{number}"
        for number, name in enumerate(names, start=1)
    ]


def _usable_name(element: object) -> str | None:
    name = element.get("name") if isinstance(element, dict) else None
    is_usable = isinstance(name, str) and len(name) <= 64 and re.fullmatch(NAME_PATTERN, name)
    return name if is_usable else None


def path_of(location: Location, labels: Labels) -> str:
    """``location`` as a dotted path."""
    parts: list[str] = []
    for depth, part in enumerate(location):
        if isinstance(part, str):
            parts.append(part)
        else:
            names = labels.get(str(location[0]), []) if depth == 1 else []
            parts[-1] += f"[{names[part]}]" if names else f"[#{part + 1}]"
    return ".".join(parts)


def location_of(error: ErrorDetails) -> Location:
    """Where in the file ``error`` is: without the kind of a bus, which the validator adds."""
    location = _validated_at(error)
    has_kind = location[:1] == ("bus",) and location[2:3] in (("tcp",), ("rtu",))
    return location[:2] + location[3:] if has_kind else location


def _validated_at(error: ErrorDetails) -> Location:
    location = tuple(part for part in error["loc"] if part != "[key]")
    return (*location, "kind") if error["type"] == "union_tag_not_found" else location


def problem_of(error: ErrorDetails, labels: Labels) -> Problem:
    """``error`` as a problem."""
    location = location_of(error)
    setting = path_of(location, labels) or "settings file"
    parent, here = schema_at(_validated_at(error)[:-1]), schema_at(_validated_at(error))
    match error["type"]:
        case "missing" | "union_tag_not_found":
            return Problem(setting, "missing", _allowed(here), _add(location, here))
        case "extra_forbidden":
            known = sorted(parent.get("properties", {}))
            remedy = _nearest(str(location[-1]), known)
            return Problem(setting, "unknown setting", f"known here: {', '.join(known)}", remedy)
        case "enum" if error["loc"][-1] == "[key]":
            known = parent["propertyNames"]["enum"]
            remedy = _nearest(str(location[-1]), known)
            return Problem(setting, "unknown name", f"one of {', '.join(known)}", remedy)
        case "union_tag_invalid":
            kinds = sorted(here["discriminator"]["mapping"])
            value = _show(error["input"].get("kind"), (*location, "kind"))
            remedy = _choose(error["input"].get("kind"), kinds)
            return Problem(f"{setting}.kind", value, f"one of {_quoted(kinds)}", remedy)
        case _:
            # Where a table belongs anything else is out of place, and perhaps a secret.
            wants_table = here.get("type") == "object"
            value = _type_given(error["input"]) if wants_table else _show(error["input"], location)
            return Problem(setting, value, _allowed(here), _remedy(error, location, here))


def _remedy(error: ErrorDetails, location: Location, here: Schema) -> str:
    value, kind = error["input"], here.get("type")
    if error["type"] == "value_error":  # of our own making, such as of a pressure
        return str(error["ctx"]["error"])
    if "enum" in here and isinstance(value, str):
        return _choose(value, here["enum"])
    if "const" in here:
        return f'write "{here["const"]}"'
    if kind == "array" and isinstance(value, dict):
        return f"write the header of the table in double brackets: [[{location[-1]}]]"
    if kind == "object":
        return f"write it as a table, under a header of its own ending in {location[-1]}]"
    if kind in ("number", "integer") and isinstance(value, str):
        return f"write it as {_TYPES[kind]} without quotation marks"
    if kind == "string" and not isinstance(value, str):
        return f"write it in quotation marks{_example(location, here)}"
    if description := here.get("description"):
        return f"change it. What it is: {_one_line(description)}"
    return f"write {_allowed(here)}"


def _add(location: Location, here: Schema) -> str:
    last = location[-1]
    if here.get("items", {}).keys() & {"properties", "oneOf"}:
        return f"add at least one table [[{last}]]"
    if here.get("type") == "object":
        header = ".".join(str(part) for part in location if isinstance(part, str))
        return f"add a table [{header}]"
    meaning = _one_line(here.get("description", ""))
    return f"add `{last} = ...`{_example(location, here)}. {meaning}".strip()


def _nearest(key: str, known: Sequence[str]) -> str:
    if close := get_close_matches(key, known, n=1):
        return f"did you mean `{close[0]}`?"
    if _SECRET.search(key) and "password_file" in known:
        return "passwords are not written here: name a file that holds it with `password_file`"
    elsewhere = sorted(set(filter(None, tables_with(key))))
    if elsewhere:
        places = " or ".join(f"[{table}]" for table in elsewhere[:3])
        return f"it belongs in {places}; a key stands in the table whose header is above it"
    return "remove it, or use one of the known names"


def _choose(value: object, choices: Sequence[str]) -> str:
    close = get_close_matches(value, choices, n=1) if isinstance(value, str) else []
    if close:
        return f'did you mean "{close[0]}"?'
    return f"choose one of {_quoted(choices)}"


def _quoted(choices: Sequence[str]) -> str:
    return ", ".join(f'"{choice}"' for choice in choices)


def _allowed(here: Schema) -> str:
    if "enum" in here:
        return f"one of {_quoted(here['enum'])}"
    if "const" in here:
        return f'"{here["const"]}"'
    if mapping := here.get("discriminator", {}).get("mapping"):
        return f"a table whose kind is one of {_quoted(sorted(mapping))}"
    text = _TYPES.get(here.get("type", ""), "another value") + _range(here)
    if here.get("type") == "array":
        text += _elements(here)
    elif pattern := here.get("pattern"):
        text = FORMS.get(pattern, f"{text} of the form {pattern}")
    if longest := here.get("maxLength"):
        text += f", at most {longest} characters"
    return text


def _range(here: Schema) -> str:
    low = here.get("minimum", here.get("exclusiveMinimum"))
    high = here.get("maximum", here.get("exclusiveMaximum"))
    if low is None or high is None:
        return ""
    return f" {'above' if 'exclusiveMinimum' in here else 'from'} {low:g} to {high:g}"


def _elements(here: Schema) -> str:
    inner = (*here.get("prefixItems", ()), here.get("items", {}))[0]
    each = f", each {_allowed(inner)}" if inner.get("type") != "object" else " of tables"
    fewest = here.get("minItems")
    return each if fewest is None or fewest != here.get("maxItems") else f" of {fewest}{each}"


def _example(location: Location, here: Schema) -> str:
    examples = here.get("examples") or ([here["default"]] if "default" in here else [])
    if not examples:
        return ""
    example = examples[0]
    shown = f'"{example}"' if isinstance(example, str) else str(example).replace("'", '"')
    return f", such as `{location[-1]} = {shown}`"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _show(value: object, location: Location) -> str:
    """``value`` for a message: never a secret, never a heap of text."""
    if _is_secret(value, location):
        return _NOT_SHOWN
    if isinstance(value, bool | int | float) and not abs(value) > 10**30:
        return str(value).lower()
    if isinstance(value, str) and len(value) <= 80:
        return f'"{value}"' if value.isprintable() else repr(value)
    return _type_given(value)


def _is_secret(value: object, location: Location) -> bool:
    """Whether it may be a password: by its name, or as an address with a user and password before
    its host, which is a common way to write them."""
    name = next((part for part in reversed(location) if isinstance(part, str)), "")
    return bool(_SECRET.search(name)) or (isinstance(value, str) and "@" in value)


def _type_given(value: object) -> str:
    return _TYPES_GIVEN.get(type(value), "a date or time")
