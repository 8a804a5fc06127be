"""Files that cannot be read at all."""

import os
from pathlib import Path

import pytest

from dustcake.settings.errors import Problem, SettingsError
from dustcake.settings.load import load_settings, parse_settings
from settings.files import file_text


def problem_of(path: Path) -> Problem:
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    assert caught.value.source == str(path)
    (problem,) = caught.value.problems
    assert problem.setting == "settings file"
    return problem


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "good.toml"
    path.write_text(file_text(), encoding="utf-8")
    assert load_settings(path) == parse_settings(file_text())


def test_a_byte_order_mark_is_ignored(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_text(file_text(), encoding="utf-8-sig")
    assert load_settings(path) == parse_settings(file_text())


def test_missing_file(tmp_path: Path) -> None:
    assert problem_of(tmp_path / "none.toml").value == "no such file"


def test_a_directory(tmp_path: Path) -> None:
    assert "directory" in problem_of(tmp_path).value.lower()


def test_a_name_no_file_can_have() -> None:
    assert problem_of(Path("a\0b")).value == "not a usable path"


def test_a_loop_of_links(tmp_path: Path) -> None:
    loop = tmp_path / "loop.toml"
    loop.symlink_to(loop)
    assert "symbolic links" in problem_of(loop).value


def test_unreadable_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.toml"
    path.write_text(file_text(), encoding="utf-8")

    def refuse(_self: Path, _mode: str) -> None:
        # Permission bits do not stop the superuser, as whom tests may run.
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr(Path, "open", refuse)
    problem = problem_of(path)
    assert problem.value == "Permission denied"
    assert "may read" in problem.remedy


def test_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b'[site]\nname = "M\xfchle"\n')
    assert problem_of(path).value == "not UTF-8 at byte 17"


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    path.write_bytes(b"#" * 200_001)
    assert problem_of(path).value == "too large"


def test_what_never_ends_is_too_large() -> None:
    assert problem_of(Path("/dev/zero")).value == "too large"


def test_of_very_many_problems_the_first_are_told() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(file_text(tail="[x]\n" + "".join(f"[x{n}]\n" for n in range(300))))
    *told, rest = caught.value.problems
    assert len(told) == 100
    assert rest.value == "201 more problems"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = 1\nb = \n", "at line 2, column 5"),
        ("[x]\n[x]\n", "line 2"),
        ('a = "unfinished', "end of document"),
        (f"a = {'9' * 5000}", "digits"),
        (f"a = {'[' * 3000}", "nested too deeply"),
        (f"a{'.a' * 400} = 1", "nested too deeply"),
        (f"[a{'.a' * 50_000}]", "nested too deeply"),
    ],
)
def test_not_toml(text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text)
    (problem,) = caught.value.problems
    assert says in problem.value
