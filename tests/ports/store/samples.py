"""Commits that look like the runtime's."""

import dataclasses

from core.driver import BASE
from dustcake.core.events import Event, PulseFired
from dustcake.core.inputs import Contacts, Measured, PollCompleted, Stamp
from dustcake.core.state import State, first_state
from dustcake.ports import Commit
from dustcake.publish.topics import Keep, Publication

FIRST_UTC_S = 1_800_000_000.0


def stamp(n: int, utc: bool = True) -> Stamp:
    return Stamp(100.0 + n, FIRST_UTC_S + n if utc else None)


def state(n: int) -> State:
    return dataclasses.replace(first_state(BASE, stamp(0)), next_seq=n)


def event_message(collector: str, n: int) -> Publication:
    return Publication(f"mill/{collector}/event", b'{"seq": %d}' % n, 1, False, Keep.EVENT, 3600)


def latest(topic: str, value: int) -> Publication:
    return Publication(topic, b'{"value": %d}' % value, 1, True, Keep.LATEST)


def live(topic: str) -> Publication:
    return Publication(topic, b"{}", 0, False, Keep.LIVE, 10)


def poll(n: int, utc: bool = True) -> PollCompleted:
    return PollCompleted(stamp(n, utc), Measured(500.0 + n), Contacts(blower_running=True))


def commit_of(
    n: int, *publications: Publication, collector: str = "c1", utc: bool = True, inputs: int = 1
) -> Commit:
    """The ``n``-th commit: ``inputs`` polls, one event of seq ``n``, state of next seq ``n``."""
    return Commit(
        collector,
        [poll(n, utc)] * inputs,
        state(n),
        [Event(n, stamp(n, utc), PulseFired(1, 0.15, n, 900.0, False))],
        publications,
    )
