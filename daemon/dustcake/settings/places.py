"""Naming a place in the settings file, and taking things out at such a place."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from dustcake.settings.base import NAME_PATTERN

NAMED_LISTS = ("bus", "collector")

Location = tuple[int | str, ...]


class Labels:
    """How the elements of the named lists are called: by name where it is usable, else ``#2``."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._labels = {key: _labels_of(data.get(key)) for key in NAMED_LISTS}

    def of(self, key: str, index: int) -> str:
        """Label of element ``index`` of list ``key``."""
        return self._labels[key][index]

    def forget(self, key: str, index: int) -> None:
        """Element ``index`` of list ``key`` has been taken out."""
        del self._labels[key][index]

    def path(self, location: Location) -> str:
        """``location`` as a dotted path."""
        parts: list[str] = []
        for depth, part in enumerate(location):
            if not isinstance(part, int):
                parts.append(part)
            elif depth == 1 and location[0] in NAMED_LISTS:
                parts[-1] += f"[{self.of(str(location[0]), part)}]"
            else:
                parts[-1] += f"[#{part + 1}]"
        return ".".join(parts)


def _labels_of(elements: object) -> list[str]:
    if not isinstance(elements, list):
        return []
    names = [element.get("name") if isinstance(element, dict) else None for element in elements]
    return [
        name
        if isinstance(name, str) and _is_usable(name) and names.count(name) == 1
        else f"#{number}"
        for number, name in enumerate(names, start=1)
    ]


def _is_usable(name: str) -> bool:
    return len(name) <= 64 and re.fullmatch(NAME_PATTERN, name) is not None


def touches(path: str, places: Iterable[str]) -> bool:
    """Whether ``path`` is one of ``places``, lies in one, or holds one."""
    return any(_holds(path, place) or _holds(place, path) for place in places)


def _holds(outer: str, inner: str) -> bool:
    return inner == outer or (inner.startswith(outer) and inner[len(outer)] in ".[")


def take_out(data: dict[str, Any], location: Location, labels: Labels) -> None:
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
