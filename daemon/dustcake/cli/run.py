"""Run every collector of a settings file until it is stopped.

example:
  dustcake run /etc/dustcake/dustcake.toml

Ends in order on SIGTERM, Ctrl-C and every other signal that would end it, except SIGKILL: a pulse
under way is ended, valves are switched off and proved off, and everything is stored. Ctrl-Z does
not stop it. Exit code 0: ended in order; 2: bad settings; 1: the journal or the local socket cannot
be used, or something unforeseen happened.

Dustcake is no safety system. Smoke, fire and explosion protection stay hard-wired and independent
of it. Valves can fire at any time while it runs: lock out and vent the header before any work.
"""

import argparse
import asyncio
import os
import sys
from collections.abc import Iterator
from contextlib import suppress

from dustcake.cli.common import DONE, FAILED, add_settings, fail, settings_in


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake run`."""
    add_settings(parser)
    parser.add_argument(
        "--log-format", choices=("text", "json"), default="text", help="how to log to stderr"
    )
    parser.add_argument(
        "--log-level", choices=("info", "warning"), default="info", help="how much to log"
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    from dustcake.adapters.host import ServiceManager, SystemClock
    from dustcake.adapters.local_socket import SocketRefusedError
    from dustcake.adapters.store import StoreRefused
    from dustcake.cli.logs import log_to_stderr
    from dustcake.runtime import daemon

    settings = settings_in(arguments.file)
    lines = log_to_stderr(arguments.log_format, arguments.log_level)
    manager = ServiceManager(os.environ)
    manager.expect_every(max(collector.poll_s for collector in settings.collectors))
    code = DONE
    try:
        asyncio.run(daemon.run(settings, SystemClock(), manager))
    except* (StoreRefused, SocketRefusedError) as refused:
        lines.drain()
        for error in _each(refused):
            fail(f"dustcake cannot run: {error}")
        code = FAILED
    finally:
        manager.close()
    # Everything of ours is stored and closed. Python would still wait for a thread that looks up a
    # name or connects, and take its time to tidy up on a small computer.
    lines.drain()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, AttributeError):  # None where it was closed
            stream.flush()
    os._exit(code)


def _each(group: BaseExceptionGroup[Exception]) -> Iterator[BaseException]:
    """The exceptions of a group, out of the groups that task groups have put around them."""
    for error in group.exceptions:
        if isinstance(error, BaseExceptionGroup):
            yield from _each(error)
        else:
            yield error
