"""What was found, written into a copy of the settings file. The file itself is never touched."""

import importlib.util
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dustcake.cli.commission.talk import Talk
from dustcake.commissioning.record import RecordError, decode
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import parse_settings


class CopyError(Exception):
    """No copy could be written; the message says why, and what to do."""


def copy_settings(settings: Path, talk: Talk, copy: Path) -> str:
    """Write ``copy``: the settings file with the transmitter that was chosen and the set points
    that were proposed, all else as it is, comments too. Returns what was changed. Raises
    CopyError."""
    changes, collector = _changes(talk)
    if not changes:
        raise CopyError("nothing has been chosen or proposed yet, so there is nothing to write")
    if importlib.util.find_spec("tomlkit") is None:
        raise CopyError(
            "a copy with its comments needs the extra `commission`; without it write the lines "
            "that "
            "`dustcake commission --step transmitter` shows by hand"
        )
    text = _changed(settings, collector, changes)
    try:
        parse_settings(text, str(copy))
    except SettingsError as error:
        raise CopyError(f"the copy would not be in order, so it is not written: {error}") from None
    try:
        with copy.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise CopyError(f"{copy} is there already: name a new file") from None
    except OSError as error:
        raise CopyError(f"{copy}: {error.strerror}") from None
    return "\n".join(
        f"  {table}: {', '.join(f'{name} = {value}' for name, value in lines.items())}"
        for table, lines in changes.items()
    )


def _changes(talk: Talk) -> tuple[dict[str, Mapping[str, Any]], str]:
    stored = talk.record()
    if stored is None:
        raise CopyError("there is no record yet")
    try:
        record = decode(stored)
    except RecordError as error:
        raise CopyError(str(error)) from None
    changes: dict[str, Mapping[str, Any]] = {}
    for step, action in (("transmitter", "choose"), ("set_points", "propose")):
        entry = record.last(step, action)
        if entry is not None:
            changes |= entry.values.get("changes", {})
    return changes, record.collector


def _changed(settings: Path, collector: str, changes: Mapping[str, Mapping[str, Any]]) -> str:
    import tomlkit

    document: Any = tomlkit.parse(settings.read_text(encoding="utf-8-sig"))
    table = next(one for one in document["collector"] if one["name"] == collector)
    for name, lines in changes.items():
        if name not in table:
            table[name] = tomlkit.table()
        if name == "transmitter":  # what the old kind needed would be wrong for the new one
            for key in [key for key in table[name] if key not in lines]:
                del table[name][key]
        for key, value in lines.items():
            if table[name].get(key) != value:
                table[name][key] = value
    return str(tomlkit.dumps(document))
