"""How the values of the plant are declared: immutable to the type checker, cheap to build."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make `cls` a slotted, hashable dataclass that the type checker treats as frozen.

    Frozen at run time it would take five times as long to build, and a simulated year builds some
    millions of them. A property test holds the physics to changing nothing that it is given.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)
