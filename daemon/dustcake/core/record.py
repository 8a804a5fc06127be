"""How the core's values are declared and changed: immutable to the type checker, cheap at run
time."""

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar, dataclass_transform

__all__ = ["record", "replace", "update"]

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: type[T]) -> type[T]:
    """Make ``cls`` a slotted, hashable dataclass that the type checker treats as frozen.

    A dataclass frozen at run time costs five times as much to build, and the replayer builds
    several for each of millions of samples. Immutability is therefore held by the strict type
    check, and by a property test that no step changes what it was given.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)


if TYPE_CHECKING:  # the type checker knows the arguments of this one
    from dataclasses import replace as replace
    from dataclasses import replace as update
else:

    def replace(old, /, **changes):
        """The same record with other values in some fields, as ``dataclasses.replace`` makes it;
        reading all fields at once takes a fifth of its time, of which a step spends much."""
        place, read = _fields(type(old))
        values = list(read(old))
        for name, value in changes.items():
            values[place[name]] = value
        return type(old)(*values)

    def update(old, /, **changes):
        """``old`` with these values in some fields; ``old`` itself where it has them all already,
        so that what has not changed is the same object after a step."""
        for name, value in changes.items():
            if getattr(old, name) is not value:
                return replace(old, **changes)
        return old


@cache
def _fields(cls: type[Any]) -> tuple[dict[str, int], Callable[[Any], tuple[Any, ...]]]:
    """Where a record's fields stand, and what reads them all."""
    place = {each.name: i for i, each in enumerate(fields(cls))}
    read = attrgetter(*place)
    return place, read if len(place) > 1 else lambda old: (read(old),)
