"""Ending tasks for certain."""

import asyncio
from collections.abc import Collection
from typing import Any

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
