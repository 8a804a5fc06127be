"""A process that commits for ever and prints the number of each commit once it is stored."""

import asyncio
import sys
from pathlib import Path

from dustcake.adapters.store import SqliteStore
from ports.store.samples import commit_of, event_message


async def main(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        stored = await store.load("c1")
        n = 0 if stored is None else stored.state.next_seq
        while True:
            n += 1
            assert await store.commit(commit_of(n, event_message("c1", n))) is None
            print(n, flush=True)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
