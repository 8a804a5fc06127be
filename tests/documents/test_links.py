"""What a document points to is there."""

import re
from pathlib import Path

import pytest

from documents.pages import PAGES, ROOT, files, prose

LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
CODE = re.compile(r"`([^`\n]+)`")
A_PATH = re.compile(r"\.?\w[\w.*-]*(/[\w.*-]+)*/?")
OURS = {".py", ".sh", ".md", ".js", ".css", ".html", ".service", ".txt"}
ROOMS = {each.relative_to(ROOT).parts[0] for each in files() if each.parent != ROOT}


def anchors(page: Path) -> set[str]:
    """What a link may name within a page: its headings, as they are commonly made into anchors."""
    headings = re.findall(r"^#+ (.*)$", prose(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", each.lower()).strip().replace(" ", "-") for each in headings}


def linked(page: Path) -> list[str]:
    found = LINK.findall(prose(page))
    return [each for each in found if not re.match(r"[a-z]+:", each)]


def paths(page: Path) -> list[str]:
    """What is set as code and can only be a file or a folder of this repository."""
    found = []
    for each in CODE.findall(prose(page)):
        if not A_PATH.fullmatch(each):
            continue
        rooms = each.partition("/")[0] in ROOMS and "/" in each
        if Path(each).suffix in OURS or rooms:
            found.append(each)
    return found


def is_there(path: str) -> bool:
    """Paths may leave out where they begin: ``store/rows.py`` is below ``adapters``."""
    wanted = path.rstrip("/")
    folders = {parent for each in files() for parent in each.parents}
    return any(each.match(wanted) for each in (*files(), *folders))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in linked(page):
        where, _, anchor = link.partition("#")
        target = (page.parent / where).resolve() if where else page
        assert target.exists(), f"{link}: there is no {target}"
        assert not anchor or anchor in anchors(target), f"{link}: no such heading"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_path_is_there(page: Path) -> None:
    assert [each for each in paths(page) if not is_there(each)] == []


def test_what_is_not_there_is_found_out() -> None:
    assert is_there("core/step.py")
    assert is_there("tests/core/")
    assert not is_there("core/no_such_module.py")
    assert not is_there("tests/no_such_room/")
