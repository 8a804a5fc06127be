"""How the core's values are declared: immutable to the type checker, cheap at run time."""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make ``cls`` a slotted, hashable dataclass that the type checker treats as frozen.

    A dataclass frozen at run time costs five times as much to build, and the replayer builds
    several for each of millions of samples. Immutability is therefore held by the strict type
    check, and by a property test that no step changes what it was given.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)
