"""Journal and outbox in memory, held to the same suite as the real store."""

import asyncio
from collections.abc import Sequence

from dustcake.ports import Commit, Queued, Stored
from dustcake.publish.topics import Keep, Publication


class FakeStore:
    """Set ``fault`` to make every commit fail with that detail. As an outbox it is that of every
    collector; ``outbox`` gives that of one."""

    def __init__(self) -> None:
        self.fault: str | None = None
        self.commits: list[Commit] = []
        self._stored: dict[str, Stored] = {}
        self._queue: dict[int, tuple[str, Publication]] = {}
        self._last_ref = 0
        self._everything = FakeOutbox(self._queue, None)
        self._outboxes: dict[str, FakeOutbox] = {}

    async def load(self, collector: str) -> Stored | None:
        return self._stored.get(collector)

    async def last_seq(self, collector: str) -> int:
        mine = (commit for commit in self.commits if commit.collector == collector)
        return max((event.seq for commit in mine for event in commit.events), default=0)

    async def commit(self, commit: Commit) -> str | None:
        if self.fault is not None:
            return self.fault
        self.commits.append(commit)
        before = self._stored.get(commit.collector)
        utc_s = None if before is None else before.utc_s
        if commit.inputs and commit.inputs[-1].at.utc_s is not None:
            utc_s = commit.inputs[-1].at.utc_s
        self._stored[commit.collector] = Stored(commit.state, utc_s)
        for publication in commit.publications:
            self.queue(publication, commit.collector)
        return None

    def queue(self, publication: Publication, collector: str = "c1") -> None:
        """Put ``publication`` into the outbox, without a commit."""
        if publication.keep is Keep.LIVE:
            return
        if publication.keep is Keep.LATEST:
            for ref, (owner, old) in list(self._queue.items()):
                same = owner == collector and old.topic == publication.topic
                if same and old.keep is Keep.LATEST:
                    del self._queue[ref]
        self._last_ref += 1
        self._queue[self._last_ref] = (collector, publication)
        self._everything.added.set()
        self.outbox(collector).added.set()

    @property
    def empty(self) -> bool:
        """Whether nothing waits for the broker."""
        return not self._queue

    def outbox(self, collector: str) -> "FakeOutbox":
        return self._outboxes.setdefault(collector, FakeOutbox(self._queue, collector))

    async def pending(self, most: int) -> Sequence[Queued]:
        return await self._everything.pending(most)

    async def delivered(self, refs: Sequence[int]) -> None:
        await self._everything.delivered(refs)

    async def wait(self) -> None:
        await self._everything.wait()


class FakeOutbox:
    """The part of ``queue`` that is ``collector``'s; all of it for None."""

    def __init__(self, queue: dict[int, tuple[str, Publication]], collector: str | None) -> None:
        self._queue = queue
        self._collector = collector
        self.added = asyncio.Event()

    async def pending(self, most: int) -> Sequence[Queued]:
        self.added.clear()
        found = [
            Queued(ref, publication)
            for ref, (owner, publication) in self._queue.items()
            if self._collector in (None, owner)
        ][:most]
        if found:
            self.added.set()
        return found

    async def delivered(self, refs: Sequence[int]) -> None:
        for ref in refs:
            self._queue.pop(ref, None)

    async def wait(self) -> None:
        await self.added.wait()
