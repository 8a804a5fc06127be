"""`dustcake`, with one thing made odd by the environment variable ODD, as `what:how`.

hang:N     the N-th reading of the field never comes back
fail:N     the N-th reading of the field meets a bug
clock:F    the time of day runs by as many seconds off as file F says; `unset` in it: not set
disk:F     once there is a file F, what is stored never gets to the disk
names:N    who looks up a host name waits N seconds for nothing
"""

import asyncio
import os
import socket
import sqlite3
import sys
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from dustcake.__main__ import main
from dustcake.adapters import host as clock
from dustcake.adapters.modbus import FieldInputs
from dustcake.core.inputs import Stamp
from dustcake.ports import FieldReading

read_as_ever = FieldInputs.read
readings = 0


async def read_oddly(self: FieldInputs) -> FieldReading:
    global readings  # noqa: PLW0603 -- a program of its own
    readings += 1
    if readings >= int(how) and what == "hang":
        await asyncio.Event().wait()
    if readings >= int(how):
        raise RuntimeError("a bug, put in on purpose")
    return await read_as_ever(self)


def odd_now(self: clock.SystemClock) -> Stamp:
    offset = Path(how).read_text()
    utc_s = None if offset == "unset" else time.time() + float(offset)
    return Stamp(time.monotonic(), utc_s)


class StallingDisk(sqlite3.Connection):
    """An fsync that does not return."""

    def execute(self, sql: str, *arguments: Any) -> sqlite3.Cursor:
        if sql == "COMMIT" and Path(how).exists():
            print("the disk stalls", file=sys.stderr, flush=True)
            threading.Event().wait()
        return super().execute(sql, *arguments)


def no_name(*_: object, **__: object) -> NoReturn:
    print("asked for a name", file=sys.stderr, flush=True)
    time.sleep(float(how))
    raise socket.gaierror(socket.EAI_AGAIN, "no answer")


what, _, how = os.environ["ODD"].partition(":")
if what == "clock":
    clock.SystemClock.now = odd_now  # type: ignore[method-assign]
elif what == "disk":
    sqlite3.connect = partial(sqlite3.connect, factory=StallingDisk)  # type: ignore[assignment]
elif what == "names":
    socket.getaddrinfo = no_name
else:
    FieldInputs.read = read_oddly  # type: ignore[method-assign]
sys.exit(main())
