"""Ending for certain, and in time.

An orderly end may take two seconds, whoever does not answer, and six where that is the disk. These
are the shares of what has to wait for others, one after the other; the rest is left for Python
itself to end.
"""

import asyncio
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from typing import Any

OUTPUTS_S = 0.7
"""For the valves to be proved off, and for that to be stored."""
TAKEN_S = 0.2
"""For the collectors to take in that they are to stop; one that a disk keeps from it has its valves
switched off all the same."""
DISK_S = 3.0
"""For a disk that stalls; then the last entries are given up."""
DRAIN_S = 0.25
"""For what the outbox still holds, once the collectors have stopped; besides, what they have left
of ``OUTPUTS_S``."""
LEAVE_S = 0.4
"""For leaving the broker in order."""
AGAIN_S = 0.1


async def end(tasks: Collection[asyncio.Task[Any]], grace_s: float) -> None:
    """Cancel ``tasks``, and return when all have ended; what they raised stays with them.

    Those that have not ended after ``grace_s`` seconds are cancelled again, and again: before
    Python 3.12 ``asyncio.wait_for``, which the libraries use for every reply they wait for,
    swallows a cancellation that comes in the same moment as the reply.
    """
    pending = set(tasks)
    wait_s = grace_s
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=wait_s)
        wait_s = AGAIN_S


class DaemonThreadPool(ThreadPoolExecutor):
    """Threads that are not waited for in the end. Looking up a name, and connecting to the broker,
    may take as long as they like, and nothing can interrupt them."""

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Start nothing more, and leave what has been started to itself."""
        del wait, cancel_futures
        super().shutdown(wait=False, cancel_futures=True)
