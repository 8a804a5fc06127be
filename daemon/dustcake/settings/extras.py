"""Parts whose libraries are installed only when wanted: the extras of pyproject.toml."""

from importlib.util import find_spec

from dustcake.settings.model import Settings

# The tables of the settings that need an extra, which has the same name, with its libraries.
_EXTRAS = {"panel": ("starlette", "uvicorn"), "metrics": ("prometheus_client", "uvicorn")}


def install_hint(extra: str) -> str:
    """Names ``extra`` and how to install it, to stand in a sentence. Dustcake is installed from its
    checkout: no package index has it."""
    return f"the extra `{extra}` (in the checkout: pip install '.[{extra}]')"


def missing_extras(settings: Settings) -> dict[str, tuple[str, str]]:
    """The extras that ``settings`` need and that are not installed, each with what is wrong and
    the remedy."""
    return {
        extra: (
            f"the settings have a table [{extra}], and its libraries are not installed",
            f"install dustcake with the extra `{extra}`, or take the table out",
        )
        for extra, libraries in _EXTRAS.items()
        if getattr(settings, extra) is not None and not all(map(find_spec, libraries))
    }
