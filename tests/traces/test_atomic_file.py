"""A file is there whole or as it was before, and what cannot be written is known beforehand."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from dustcake.__main__ import main
from dustcake_lab.traces.files import UnwritableError, atomic_write, require_writable
from traces.recorded import settings_text

STUDY = [sys.executable, "-m", "dustcake", "study"]


def test_it_is_there_when_all_of_it_is(tmp_path: Path) -> None:
    to = tmp_path / "report.html"
    to.write_text("old")
    require_writable(to)
    with atomic_write(to) as part:
        part.write_text("new")
        assert (part.suffix, to.read_text()) == (".html", "old")
    assert to.read_text() == "new"
    assert list(tmp_path.iterdir()) == [to]


def test_what_goes_wrong_leaves_the_old_one(tmp_path: Path) -> None:
    to = tmp_path / "report.html"
    to.write_text("old")

    def half() -> None:
        with atomic_write(to) as part:
            part.write_text("ne")
            raise OSError(28, os.strerror(28))  # ENOSPC: what a full disk says (errno(3))

    with pytest.raises(UnwritableError, match=r"report.html: No space left on device; make room"):
        half()
    assert to.read_text() == "old"
    assert list(tmp_path.iterdir()) == [to]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("nowhere/report.html", "No such file or directory"),
        ("taken.html", "Is a directory"),
        ("file/report.html", "Not a directory"),
    ],
)
def test_a_place_where_nothing_can_be_written(tmp_path: Path, name: str, why: str) -> None:
    (tmp_path / "taken.html").mkdir()
    (tmp_path / "file").touch()
    with pytest.raises(UnwritableError, match=f"{name}: {why}; name a file this user may write"):
        require_writable(tmp_path / name)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--report", "nowhere/a.html"), "nowhere/a.html: No such file or directory"),
        (("--png", "nowhere/a.png"), "nowhere/a.png: No such file or directory"),
        (("--png", "a.html"), "argument --png: 'a.html': name a file that ends in .png"),
        (("--report", "a.csv"), "argument --report: 'a.csv': name a file that ends in .html or"),
    ],
)
def test_a_study_says_so_before_it_begins(
    tmp_path: Path, options: tuple[str, str], told: str
) -> None:
    """The trace is a pipe that nobody writes to: whoever begins to read it never comes back."""
    os.mkfifo(tmp_path / "trace.csv")
    (tmp_path / "plant.toml").write_text(settings_text())
    ended = subprocess.run(
        [*STUDY, "trace.csv", "--settings", "plant.toml", "--flow", "1", *options],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ended.returncode, ended.stdout) == (2, "")
    assert told in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_list_that_cannot_be_read_is_no_file_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet = tmp_path / "fleet.csv"
    assert main(["study", "--fleet", str(fleet)]) == 2
    told = f"{fleet}: No such file or directory; name a list this user may read\n"
    assert capsys.readouterr().err == told
