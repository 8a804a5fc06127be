"""Settings as lines of a settings file, to be written by a person, or into a copy."""

import json
from collections.abc import Mapping
from typing import Any


def lines(table: str, settings: Mapping[str, Any]) -> str:
    """A table as it stands in a settings file. Strings, numbers and arrays of them are written in
    TOML as in JSON."""
    head = f"[{table}]"
    return "\n".join([head, *(f"{name} = {json.dumps(value)}" for name, value in settings.items())])
