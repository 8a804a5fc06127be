"""How the core's values are declared and changed: immutable to the type checker, cheap at run
time."""

from collections.abc import Callable
from dataclasses import dataclass, fields
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
    _COPIES: dict[tuple[Any, ...], Callable[[Any, dict[str, Any]], Any]] = {}

    def replace(old, /, **changes):
        """The same record with other values in some fields: ``dataclasses.replace`` at a quarter of
        its cost, which is most of what a full step costs."""
        key = (type(old), *changes)
        copy = _COPIES.get(key) or _COPIES.setdefault(key, _copy_with(*key))
        return copy(old, changes)

    def _copy_with(cls, *changed):
        """How to copy a record with other values in these fields: written out, as ``dataclasses``
        writes out how to make one."""
        names = [field.name for field in fields(cls)]
        if unknown := set(changed) - set(names):
            raise TypeError(f"{cls.__name__} has no field {', '.join(sorted(unknown))}")
        lines = [
            f"    new.{name} = " + (f"changes[{name!r}]" if name in changed else f"old.{name}")
            for name in names
        ]
        scope = {"make": cls.__new__, "cls": cls}
        exec(
            "\n".join(["def copy(old, changes):", "    new = make(cls)", *lines, "    return new"]),
            scope,
        )
        return scope["copy"]
