"""Parts whose libraries are installed only when asked for."""

from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from types import MappingProxyType

from dustcake.settings.model import Settings

EXTRAS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"panel": ("starlette", "uvicorn"), "metrics": ("prometheus_client", "uvicorn")}
)
"""The extra of each table of the settings that needs one has its name; and its libraries."""


def is_installed(extra: str) -> bool:
    """Whether the libraries of ``extra`` are there."""
    return all(find_spec(name) for name in EXTRAS[extra])


def the_extra(extra: str) -> str:
    """Its name with the remedy where it is not there, for whatever needs it. Dustcake is installed
    from its checkout: no package index has it."""
    return f"the extra `{extra}` (in the checkout: pip install '.[{extra}]')"


def without(extra: str) -> tuple[str, str]:
    """What is wrong when they are not, and the remedy."""
    return (
        f"the settings have a table [{extra}], and its libraries are not installed",
        f"install dustcake with the extra `{extra}`, or take the table out",
    )


def missing(settings: Settings) -> Iterator[str]:
    """The extras that ``settings`` need and that are not installed."""
    for extra in EXTRAS:
        if getattr(settings, extra) is not None and not is_installed(extra):
            yield extra
