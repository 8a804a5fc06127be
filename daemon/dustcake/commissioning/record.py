"""The record of one commissioning: what was tried, measured and found, by whom and when."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from dustcake.core.record import record, replace

FORMAT = 1

Fields = Mapping[str, Any]
"""What a person answered, by the names of the questions: texts, numbers, yes or no."""


class Result(StrEnum):
    """How one action ended."""

    PASSED = "passed"
    FAILED = "failed"
    NOTED = "noted"  # measured or chosen, with nothing to pass or fail yet
    SKIPPED = "skipped"  # left out on purpose, with the reason


@record
class RecordedAction:
    """One action on record. ``item``: which of several, such as a valve; ``fields``: what the
    person answered; ``values``: what was measured, units in the names; ``utc``: ISO 8601, None
    while the clock is not set."""

    step: str
    action: str
    item: str
    result: Result
    words: str
    fields: dict[str, Any]
    values: dict[str, Any]
    by: str
    utc: str | None


@record
class Signature:
    """Who signed the record: a typed name, when, and the digest of what was signed."""

    name: str
    by: str
    utc: str | None
    sha256: str


@record
class Record:
    """All that is on record of one collector, in order."""

    collector: str
    site: str
    begun_utc: str | None
    begun_by: str
    entries: tuple[RecordedAction, ...] = ()
    signature: Signature | None = None

    def of(self, step: str, *actions: str, item: str | None = None) -> list[RecordedAction]:
        """The entries of a step, oldest first; of these actions, or one item, where given."""
        return [
            entry
            for entry in self.entries
            if entry.step == step
            and (not actions or entry.action in actions)
            and item in (None, entry.item)
        ]

    def last(self, step: str, *actions: str, item: str | None = None) -> RecordedAction | None:
        """The newest of the entries that ``of`` gives; None where there is none."""
        return next(reversed(self.of(step, *actions, item=item)), None)

    def values(self, step: str, action: str) -> dict[str, Any]:
        """Values of the newest entry of this action, units in their names; empty where it has not
        been done."""
        entry = self.last(step, action)
        return {} if entry is None else entry.values

    def signed(self, name: str, by: str, utc: str | None) -> "Record":
        """This record with a signature under it."""
        return replace(self, signature=Signature(name, by, utc, digest(self)))


def place_of(journal: Path, collector: str) -> Path:
    """Where the record of a collector is kept: beside the journal."""
    return journal.with_name(f"{journal.stem}-commissioning-{collector}.json")


class RecordError(Exception):
    """A stored record that cannot be read back; the message says why."""


def digest(one: Record) -> str:
    """SHA-256 of the record without its signature, as ``encode`` writes it."""
    return hashlib.sha256(encode(replace(one, signature=None))).hexdigest()


def is_as_signed(one: Record) -> bool:
    """Whether nothing has been changed since it was signed."""
    return one.signature is not None and one.signature.sha256 == digest(one)


def encode(one: Record) -> bytes:
    """The record as JSON, always the same bytes for the same record."""
    content = {"format": FORMAT, **asdict(one)}
    return json.dumps(content, ensure_ascii=False, sort_keys=True, indent=1).encode() + b"\n"


_RECORD = TypeAdapter(Record)


def decode(stored: bytes) -> Record:
    """The record as it was. Raises RecordError."""
    try:
        content = json.loads(stored)
        if content["format"] != FORMAT:
            raise RecordError(f"format {content['format']}, this version reads {FORMAT}")
        return _RECORD.validate_python(content)
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(f"not a record of a commissioning ({error})") from None
