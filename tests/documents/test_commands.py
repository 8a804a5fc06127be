"""Every command a document gives to a reader is tried: here, or by the suite named here."""

import importlib
import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from documents.pages import PAGES, ROOT, Command, commands, prose
from dustcake.__main__ import COMMANDS, main

NAMES = {each.name: each for each in COMMANDS}
RUN_HERE = {"check", "schema"}
"""Commands that need nothing but the files of the repository, and change none."""

TRIED_BY = {
    r"sh deploy/demo\.sh": "tests/system/test_demo.py",
    r"sh deploy/install\.sh": "tests/install/test_install.py",
    r"sh tests/run\.sh|bash \.ci/run|\. \.venvs/test/bin/activate": ".ci/run",
    r"mosquitto_(sub|pub) ": "tests/system/test_scada.py",
    r"python -m dustcake_sim": "tests/device/test_process.py",
    r"python -m faults\.campaign": "tests/faults/test_determinism.py",
    r"python (-m )?[\w./]*diagnosis[./]campaign": "tests/diagnosis/test_detection.py",
    r"pytest|ruff|mypy|lint-imports": ".ci/run",
}
"""What is no command of dustcake's, and the suite that runs it."""

NOT_TRIED = {
    r"sh deploy/lock\.sh": "asks a package index for the newest versions",
}
OF_THE_SYSTEM = {
    *("apt", "apt-get", "cd", "chmod", "chown", "cp", "curl", "docker", "git", "install"),
    *("journalctl", "ls", "mkdir", "mosquitto_passwd", "mv", "openssl", "pip", "podman", "rm"),
    *("scp", "ssh", "systemctl", "timedatectl", "usermod"),
}
"""Not ours to test; a document gives them as any manual does."""


def bare(words: Sequence[str]) -> list[str]:
    """Without ``sudo`` and what is set in the environment."""
    rest = list(words)
    while rest and (rest[0] == "sudo" or re.match(r"[A-Z_]+=", rest[0]) or rest[0] == "-u"):
        del rest[: 2 if rest[0] == "-u" else 1]
    return rest


ALL = [each for page in PAGES for each in commands(page)]
OURS = [each for each in ALL if bare(each.words)[:1] == ["dustcake"]]
OTHERS = [each for each in ALL if bare(each.words)[:1] != ["dustcake"]]


@pytest.mark.parametrize("command", OURS, ids=str)
def test_a_command_of_dustcake_is_one_with_just_these_options(
    command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = bare(command.words)[1:]
    module = importlib.import_module(NAMES[arguments[0]].load().__name__)
    if arguments[0] not in RUN_HERE or "--output" in arguments:
        monkeypatch.setattr(module, "run", lambda _arguments: 0)
    monkeypatch.chdir(ROOT)
    assert main(arguments) == 0


@pytest.mark.parametrize("command", OTHERS, ids=str)
def test_any_other_is_tried_by_a_suite(command: Command) -> None:
    words = bare(command.words)
    text = " ".join(words)
    if words[0] in OF_THE_SYSTEM or any(re.match(each, text) for each in NOT_TRIED):
        return
    suites = [suite for pattern, suite in TRIED_BY.items() if re.match(pattern, text)]
    assert suites, f"run it here, or name the suite that runs it: {text}"
    assert (ROOT / suites[0]).exists()
    for word in words[1:]:
        if word.startswith(("tests/", "deploy/", "config/")):
            assert (ROOT / word).exists(), word


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_a_command_in_a_sentence_exists(page: Path) -> None:
    named = re.findall(r"`dustcake ([a-z_]+)", prose(page))
    assert [each for each in named if each not in NAMES] == []


def test_the_readme_has_commands() -> None:
    assert len([each for each in ALL if each.page == ROOT / "README.md"]) > 5
