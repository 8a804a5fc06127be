"""Reading a settings file, and reporting all that is wrong in it at once."""

import copy
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from dustcake.settings.checks import cross_problems
from dustcake.settings.errors import (
    NAMED_LISTS,
    Labels,
    Location,
    Problem,
    SettingsError,
    location_of,
    problem_of,
)
from dustcake.settings.model import Settings

_LARGEST_BYTES = 200_000
_MOST_SHOWN = 100
_DEEPEST = 32
_MOST_DOTS = 500


def load_settings(path: Path) -> Settings:
    """The settings in the file at ``path``. Raises SettingsError with everything wrong in it."""
    return parse_settings(_read(path), str(path))


def parse_settings(text: str, source: str = "settings") -> Settings:
    """The settings in ``text``; ``source`` names it in errors. Raises SettingsError."""
    data = _parse(text, source)
    labels = Labels(data)
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        raise SettingsError(source, _all_problems(data, _errors(error))) from None
    problems = list(cross_problems(settings, labels))
    if problems:
        raise SettingsError(source, problems)
    return settings


def _read(path: Path) -> str:
    source = str(path)
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
        if len(content) > _LARGEST_BYTES:
            raise _unusable(source, "too large", "at most 200 kB", "name a settings file")
        return content.decode("utf-8-sig")
    except FileNotFoundError:
        remedy = "check the path; complete examples are in the directory config of the source"
        raise _unusable(source, "no such file", "a TOML file", remedy) from None
    except UnicodeDecodeError as error:
        value = f"not UTF-8 at byte {error.start + 1}"
        raise _unusable(source, value, "UTF-8 text", "save the file as UTF-8") from None
    except (OSError, ValueError) as error:  # a name no file can have is a ValueError
        reason = error.strerror if isinstance(error, OSError) else None
        remedy = "check that it is a file this user may read"
        raise _unusable(source, reason or "not a usable path", "a TOML file", remedy) from None


def _parse(text: str, source: str) -> dict[str, Any]:
    remedy = "flatten tables and arrays"
    too_deep = _unusable(source, "nested too deeply", f"at most {_DEEPEST} levels", remedy)
    # The parser's time grows with the square of the parts of a key, which never leaves its line.
    if any(line.count(".") > _MOST_DOTS for line in text.split("\n")):
        raise too_deep
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise too_deep from None
    except ValueError as error:  # TOMLDecodeError is one, and so is a number of too many digits
        remedy = "correct the file there; names of tables and `key = value` lines are TOML 1.0"
        raise _unusable(source, str(error), "TOML 1.0", remedy) from None
    if _is_deeper_than(_DEEPEST, data):
        raise too_deep
    return data


def _is_deeper_than(levels: int, data: dict[str, Any]) -> bool:
    level: list[Any] = [data]
    for _ in range(levels):
        inside = (each.values() if isinstance(each, dict) else each for each in level)
        level = [each for part in inside for each in part if isinstance(each, dict | list)]
    return bool(level)


def _unusable(source: str, value: str, allowed: str, remedy: str) -> SettingsError:
    return SettingsError(source, [Problem("settings file", value, allowed, remedy)])


def _errors(error: ValidationError) -> list[ErrorDetails]:
    """The errors, without the claim that an array is too short because of its bad elements."""
    errors = error.errors(include_url=False, include_context=False)
    return [
        each
        for each in errors
        if each["type"] != "too_short"
        or not any(_lies_in(other["loc"], each["loc"]) for other in errors)
    ]


def _lies_in(inner: Location, outer: Location) -> bool:
    return len(inner) > len(outer) and inner[: len(outer)] == outer


def _all_problems(data: dict[str, Any], errors: list[ErrorDetails]) -> list[Problem]:
    """The problems of single settings, then those that show between the settings in order.

    For the second part what is wrong is taken out, so that defaults stand in for it, and rules
    that would judge such a stand-in are not applied.
    """
    labels = Labels(data)
    problems = [problem_of(error, data, labels) for error in errors[:_MOST_SHOWN]]
    if len(errors) > _MOST_SHOWN:
        more = f"{len(errors) - _MOST_SHOWN} more problems"
        problems.append(Problem("settings file", more, "none", "correct those above first"))
    rest = copy.deepcopy(data)
    places: list[str] = []
    while errors:
        targets = {_to_take_out(error) for error in errors}
        if () in targets:
            return problems
        # From the back, so that places named by number stay where they are.
        for target in sorted(targets, key=_order_in_file, reverse=True):
            places.append(labels.path(target))
            _take_out(rest, target, labels)
        try:
            settings = Settings.model_validate(rest)
        except ValidationError as error:
            errors = _errors(error)
        else:
            found = cross_problems(settings, labels)
            return problems + [
                problem
                for problem in found
                if not any(_touches(path, places) for path in (problem.setting, *problem.involves))
            ]
    return problems


def _to_take_out(error: ErrorDetails) -> Location:
    """The smallest place without which the file could be in order as far as ``error`` goes."""
    location = location_of(error)
    if error["type"] in ("missing", "union_tag_not_found"):
        location = location[:-1]
    listed = 2 if location[:1] and location[0] in NAMED_LISTS else 0
    cut = next((i for i in range(listed, len(location)) if isinstance(location[i], int)), None)
    return location[:cut]


def _order_in_file(location: Location) -> tuple[int, str, int]:
    number = location[1] if len(location) > 1 and isinstance(location[1], int) else -1
    return number, str(location[0]), len(location)


def _touches(path: str, places: Iterable[str]) -> bool:
    """Whether ``path`` is one of ``places``, lies in one, or holds one."""
    return any(_holds(path, place) or _holds(place, path) for place in places)


def _holds(outer: str, inner: str) -> bool:
    return inner == outer or (inner.startswith(outer) and inner[len(outer)] in ".[")


def _take_out(data: dict[str, Any], location: Location, labels: Labels) -> None:
    """Remove from ``data`` what stands at ``location``, if it is still there."""
    target: Any = data
    for part in location[:-1]:
        try:
            target = target[part]
        except (KeyError, IndexError, TypeError):
            return
    last = location[-1]
    if isinstance(target, dict):
        target.pop(last, None)
    elif isinstance(target, list) and isinstance(last, int) and last < len(target):
        del target[last]
        labels.forget(str(location[0]), last)
