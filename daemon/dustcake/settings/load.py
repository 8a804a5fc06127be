"""Reading a settings file, and reporting all that is wrong in it at once."""

import tomllib
from itertools import product
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from dustcake.settings.errors import (
    NAMED_LISTS,
    Labels,
    Location,
    Problem,
    SettingsError,
    labels_of,
    location_of,
    path_of,
    problem_of,
)
from dustcake.settings.model import Settings
from dustcake.settings.rules import cross_problems

_LARGEST_BYTES = 200_000
_MOST_SHOWN = 100
_DEEPEST = 32
_MOST_DOTS = 500


def load_settings(path: Path) -> Settings:
    """The settings in the file at ``path``. Raises SettingsError with everything wrong in it."""
    return parse_settings(_read(path), str(path))


def parse_settings(text: str, source: str = "settings") -> Settings:
    """The settings in ``text``; ``source`` names it in errors. Raises SettingsError.

    First the problems of single settings are found, then those that show between the settings in
    order. For these what is wrong is taken out, so that defaults stand in for it, and rules that
    would judge such a stand-in are not applied.
    """
    data = _parse(text, source)
    labels = labels_of(data)
    problems: list[Problem] = []
    places: list[str] = []
    while errors := _errors_in(data):
        problems = problems or _problems_of(errors, labels)
        targets = set(map(_to_take_out, errors))
        if () in targets:
            raise SettingsError(source, problems)
        places += [path_of(target, labels) for target in targets]
        data, labels = _without(targets, data), _without(targets, labels)
    settings = Settings.model_validate(data)
    found = cross_problems(settings, labels)
    problems += [problem for problem in found if not _concerns(problem, places)]
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
        if _depth(data) > _DEEPEST:
            raise too_deep
    except RecursionError:
        raise too_deep from None
    except ValueError as error:  # TOMLDecodeError is one, and so is a number of too many digits
        remedy = "correct the file there; names of tables and `key = value` lines are TOML 1.0"
        raise _unusable(source, str(error), "TOML 1.0", remedy) from None
    return data


def _depth(part: dict[str, Any] | list[Any]) -> int:
    """How many tables and arrays stand in each other."""
    inside = part.values() if isinstance(part, dict) else part
    return 1 + max((_depth(each) for each in inside if isinstance(each, dict | list)), default=0)


def _unusable(source: str, value: str, allowed: str, remedy: str) -> SettingsError:
    return SettingsError(source, [Problem("settings file", value, allowed, remedy)])


def _errors_in(data: dict[str, Any]) -> list[ErrorDetails]:
    try:
        Settings.model_validate(data)
    except ValidationError as error:
        return [each for each in error.errors() if _is_meant(each)]
    return []


def _is_meant(error: ErrorDetails) -> bool:
    """Whether it is no claim that an array is too short because of its bad elements."""
    return error["type"] != "too_short" or len(error["input"]) < error["ctx"]["min_length"]


def _problems_of(errors: list[ErrorDetails], labels: Labels) -> list[Problem]:
    problems = [problem_of(error, labels) for error in errors[:_MOST_SHOWN]]
    if len(errors) > _MOST_SHOWN:
        more = f"{len(errors) - _MOST_SHOWN} more problems"
        problems.append(Problem("settings file", more, "none", "correct those above first"))
    return problems


def _to_take_out(error: ErrorDetails) -> Location:
    """The smallest place without which the file could be in order as far as ``error`` goes."""
    location = location_of(error)
    if error["type"] in ("missing", "union_tag_not_found"):
        location = location[:-1]
    listed = 2 if location[:1] and location[0] in NAMED_LISTS else 0
    cut = next((i for i in range(listed, len(location)) if isinstance(location[i], int)), None)
    return location[:cut]


def _concerns(problem: Problem, places: list[str]) -> bool:
    """Whether a setting it speaks of stands at one of ``places``, or in one, or holds one."""
    pairs = product((problem.setting, *problem.involves), places)
    return any(_holds(path, place) or _holds(place, path) for path, place in pairs)


def _holds(outer: str, inner: str) -> bool:
    return inner.startswith(outer) and inner[len(outer) :][:1] in ("", ".", "[")


def _without(targets: set[Location], part: Any, location: Location = ()) -> Any:
    """``part``, which stands at ``location``, without what stands at ``targets``."""
    if not isinstance(part, dict | list):
        return part
    keys = part if isinstance(part, dict) else range(len(part))
    places = {key: (*location, key) for key in keys}
    kept = {
        key: _without(targets, part[key], place)
        for key, place in places.items()
        if place not in targets
    }
    return kept if isinstance(part, dict) else list(kept.values())
