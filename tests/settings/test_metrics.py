"""The table `metrics`, and extras that are not installed."""

from pathlib import Path

import pytest

from dustcake.settings import extras
from settings.files import file_text, only_problem, settings_of
from settings.test_commands import run


def test_off_unless_written_and_then_for_this_machine_alone() -> None:
    assert settings_of().metrics is None
    metrics = settings_of(tail="[metrics]\n").metrics
    assert metrics is not None
    assert (metrics.host, metrics.port, metrics.is_local) == ("127.0.0.1", 8471, True)


@pytest.mark.parametrize(
    ("lines", "setting"),
    [("port = 70000", "metrics.port"), ('path = "/x"', "metrics.path")],
)
def test_refused(lines: str, setting: str) -> None:
    assert only_problem(file_text(tail=f"[metrics]\n{lines}\n")).setting == setting


@pytest.mark.parametrize("host", ["127.0.0.1", "192.0.2.7"])
def test_what_is_understood(host: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(file_text(tail=f'[metrics]\nhost = "{host}"\n'), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert f"OpenMetrics at http://{host}:8471/metrics" in out
    assert ("! whoever reaches that port can read them" in out) is (host != "127.0.0.1")


@pytest.mark.parametrize("extra", ["metrics", "panel"])
def test_an_extra_that_is_not_installed_is_warned_of(
    extra: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(file_text(tail="[metrics]\n[panel]\n"), encoding="utf-8")
    assert run("check", str(path)) == 0
    assert "not installed" not in capsys.readouterr().out
    library = {"metrics": "prometheus_client", "panel": "starlette"}[extra]

    def found(name: str) -> object:
        return None if name == library else object()

    monkeypatch.setattr(extras, "find_spec", found)
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert f"! the settings have a table [{extra}], and its libraries are not installed" in out
    assert f"install dustcake with the extra `{extra}`" in out
