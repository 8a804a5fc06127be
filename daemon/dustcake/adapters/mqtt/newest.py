"""A bounded waiting room in which the newest of each key wins."""

import asyncio
from collections.abc import Hashable
from typing import Generic, TypeVar

T = TypeVar("T")


class Newest(Generic[T]):
    """First in, first out; a second item of a key replaces the first; full, the oldest goes."""

    def __init__(self, capacity: int) -> None:
        self._capacity = capacity
        self._items: dict[Hashable, T] = {}
        self._filled = asyncio.Event()

    def put(self, key: Hashable, item: T) -> None:
        """Add ``item``; never waits."""
        self._items.pop(key, None)
        if len(self._items) >= self._capacity:
            del self._items[next(iter(self._items))]
        self._items[key] = item
        self._filled.set()

    async def take(self) -> T:
        """Remove and return the oldest item, waiting for one."""
        while not self._items:
            self._filled.clear()
            await self._filled.wait()
        return self._items.pop(next(iter(self._items)))

    @property
    def is_empty(self) -> bool:
        """Whether nothing waits."""
        return not self._items

    def clear(self) -> None:
        """Forget everything."""
        self._items.clear()
