"""How the core's values are declared and changed: immutable to the type checker, cheap at run
time."""

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar, dataclass_transform

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
    from dataclasses import replace as update
else:

    def update(old, /, **changes):
        """``old`` with these values in some fields; ``old`` itself where it has them all already,
        so that what has not changed is the same object after a step."""
        if all(getattr(old, name) is value for name, value in changes.items()):
            return old
        return replace(old, **changes)
