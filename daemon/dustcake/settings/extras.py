"""Parts whose libraries are installed only when wanted: the extras of pyproject.toml."""

from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from types import MappingProxyType

from dustcake.settings.model import Settings

EXTRAS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"panel": ("starlette", "uvicorn"), "metrics": ("prometheus_client", "uvicorn")}
)
"""The tables of the settings that need an extra, which has the same name, with its libraries."""


def is_installed(extra: str) -> bool:
    """Whether the libraries of ``extra`` are there."""
    return all(find_spec(name) for name in EXTRAS[extra])


def install_hint(extra: str) -> str:
    """Names ``extra`` and how to install it, to stand in a sentence. Dustcake is installed from its
    checkout: no package index has it."""
    return f"the extra `{extra}` (in the checkout: pip install '.[{extra}]')"


def not_installed(extra: str) -> tuple[str, str]:
    """What is wrong where a table needs ``extra`` and it is not there, and the remedy."""
    return (
        f"the settings have a table [{extra}], and its libraries are not installed",
        f"install dustcake with the extra `{extra}`, or take the table out",
    )


def missing_extras(settings: Settings) -> Iterator[str]:
    """The extras that ``settings`` need and that are not installed."""
    for extra in EXTRAS:
        if getattr(settings, extra) is not None and not is_installed(extra):
            yield extra
