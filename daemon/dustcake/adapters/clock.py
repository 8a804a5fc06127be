"""The computer's own clocks."""

import asyncio
import time

from dustcake.core.stamp import Stamp

# A computer without a battery-backed clock starts in 1970, or where it last was; before this
# date the clock is known to be wrong: dustcake did not exist.
EARLIEST_UTC_S = 1_735_689_600.0  # 2025-01-01T00:00:00Z


class SystemClock:
    """Both clocks of this computer, and waiting on the monotonic one."""

    def now(self) -> Stamp:
        """The present instant; ``utc_s`` is None while the clock is not set."""
        utc_s = time.time()
        return Stamp(time.monotonic(), utc_s if utc_s >= EARLIEST_UTC_S else None)

    async def sleep_until(self, mono_s: float) -> None:
        """Return at or just after ``mono_s``; at once if it has passed."""
        # A loop, for the event loop may wake a timer early by its clock's resolution.
        while (left_s := mono_s - time.monotonic()) > 0:  # noqa: ASYNC110
            await asyncio.sleep(left_s)
