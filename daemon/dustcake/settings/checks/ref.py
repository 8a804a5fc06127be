"""A setting as the rules speak of it: where it stands, what it says, whether anybody wrote it."""

from dataclasses import dataclass
from enum import Enum

from dustcake.settings.base import Section
from dustcake.settings.errors import Problem


@dataclass(frozen=True, slots=True)
class Ref:
    """One setting: dotted ``path``, ``value`` as text, and whether it was ``written``."""

    path: str
    value: str
    written: bool

    @property
    def short(self) -> str:
        """The path without the collector's, for speaking of it beside another one."""
        return self.path.partition("].")[2] or self.path

    def problem(self, allowed: str, remedy: str, *others: "Ref | str") -> Problem:
        """A problem with this setting, compared with ``others``, or what stands at their paths."""
        involves = tuple(other if isinstance(other, str) else other.path for other in others)
        return Problem(self.path, self.value, allowed, remedy, involves)


def ref(section: Section, path: str, name: str) -> Ref:
    """Attribute ``name`` of ``section``, which stands at ``path``; with points, such as
    ``pulsing.order``, an attribute of a table in it."""
    *tables, name = name.split(".")
    for table in tables:
        section, path = getattr(section, table), f"{path}.{table}"
    field = type(section).model_fields[name]
    written = name in section.model_fields_set
    value = _text(getattr(section, name))
    return Ref(
        path=f"{path}.{field.alias or name}",
        value=value if written else f"{value} (the default)",
        written=written,
    )


def _text(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(_text(part) for part in value)}]"
    if isinstance(value, Section):
        return "a table"
    if isinstance(value, Enum):
        return f'"{value.value}"'
    if value is None:
        return "left out"
    return str(value) if isinstance(value, int | float) else f'"{value}"'
