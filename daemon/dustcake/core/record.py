"""How the core's values are declared and changed: immutable to the type checker, cheap at run
time."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make ``cls`` a slotted, hashable dataclass that the type checker treats as frozen.

    A dataclass frozen at run time costs five times as much to build, and the replayer builds
    several for each of millions of samples. Immutability is therefore held by the strict type
    check, and by a property test that no step changes what it was given.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)


if TYPE_CHECKING:  # the type checker knows the arguments of this one
    from dataclasses import replace as replace
else:
    _VALUES_OF: dict[type, Callable[[Any], tuple[Any, ...]]] = {}

    def replace(old, /, **changes):
        """The same record with other values in some fields: ``dataclasses.replace`` at two fifths
        of its cost, which is most of what a full step costs."""
        cls = type(old)
        values_of = _VALUES_OF.get(cls)
        if values_of is None:
            names = [field.name for field in fields(cls)]
            one = attrgetter(*names)
            values_of = _VALUES_OF[cls] = one if len(names) > 1 else lambda each: (one(each),)
        new = cls(*values_of(old))
        for name, value in changes.items():
            setattr(new, name, value)
        return new
