"""What is told of an extra can be done: pyproject.toml has it, and the checkout installs it."""

import re
import tomllib
from pathlib import Path

import dustcake
import dustcake_lab
import dustcake_loop
from dustcake.settings.extras import install_hint

ROOT = Path(__file__).parents[2]


def test_every_extra_that_is_named_is_one() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    sources = "".join(
        file.read_text(encoding="utf-8")
        for package in (dustcake, dustcake_lab, dustcake_loop)
        for file in Path(package.__path__[0]).rglob("*.py")
    )
    named = set(re.findall(r"install_hint\('(\w+)'\)", sources))
    assert {"analysis", "cluster", "demo"} <= named <= set(project["optional-dependencies"])
    # The project is on no package index: what asks one for it by name finds nothing, or another.
    assert re.findall(r"pip install .?dustcake", sources) == []


def test_the_remedy() -> None:
    told = "the extra `analysis` (in the checkout: pip install '.[analysis]')"
    assert install_hint("analysis") == told
