"""What an option of a study may be: a number in other units is refused, not simulated."""

import re

import pytest

from dustcake.__main__ import main
from dustcake_lab.study.recommendation import recommended
from dustcake_lab.study.results import as_json
from fit.test_study import done


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--fan-efficiency", "60", "'60': give a share, such as 0.6 (above 0, up to 1)"),
        ("--fan-efficiency", "nan", "'nan': give a share, such as 0.6 (above 0, up to 1)"),
        ("--flow", "4320", "'4320': give the flow in m3/s, such as 1.2 (above 0, up to 100)"),
        ("--least-flow", "0", "'0': give the flow in m3/s, such as 1.2 (above 0, up to 100)"),
        ("--air", "1e6", "'1e6': give litres of free air for one pulse, such as 40"),
        ("--most-dp", "-1", "'-1': give a pressure in Pa, such as 1200"),
        ("--search", "0", "'0': give a whole number from 1 to"),
        ("--search", "-5", "'-5': give a whole number from 1 to"),
        ("--draws", "0", "'0': give a whole number from 2 to"),
        ("--draws", "-3", "'-3': give a whole number from 2 to"),
        ("--days", "0.3", "'0.3': give a whole number from 1 to"),
        ("--list", "0", "'0': give a whole number from 1 to"),
        ("--seed", "-1", "'-1': give a whole number from 0 to"),
    ],
)
def test_what_is_out_of_bounds(
    capsys: pytest.CaptureFixture[str], option: str, value: str, told: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["study", "a.csv", "--settings", "b.toml", f"{option}={value}"])
    assert ended.value.code == 2
    assert f"argument {option}: {told}" in capsys.readouterr().err


def test_help_says_what_each_field_for_programs_is(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["study", "--help"])
    explained = set(re.findall(r"`(\w+)`", capsys.readouterr().out))
    told = as_json(done(), recommended(done()))
    assert told["outcome"] is not None
    parts = (told, told["today"], told["today_outcome"], told["saving"])
    assert {name for part in parts for name in part} - explained == set()
