"""Whoever watches a study sees how far it is; a program sees nothing of it."""

import re
from dataclasses import replace

import pytest

from dustcake_lab.commands import common
from dustcake_lab.commands.common import ProgressLine, study_progress
from dustcake_lab.study.study import search, study
from fit.local_cluster import local_cluster
from fit.test_study import PLAN, PRICES, TODAY, TRIED, collector

SHORT = replace(PLAN, days=1.0, draws=2)


def somebody_watches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)


def counts(told: str) -> list[tuple[int, int]]:
    return [(int(n), int(of)) for n, of in re.findall(r"simulating: (\d+) of (\d+)", told)]


def test_settings_done_of_all(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    somebody_watches(monkeypatch)
    monkeypatch.setattr(common, "_ESTIMATE_AFTER_S", 0.0)
    with study_progress(SHORT.draws, None):
        done = study(collector(), TODAY, PRICES, SHORT, TRIED)
    told = capsys.readouterr().err
    assert told.startswith("\r\x1b[Kreading and fitting\r\x1b[K")
    assert counts(told)[0] == (0, len(done.candidates))
    assert counts(told)[-1] == (len(done.candidates), len(done.candidates))
    assert counts(told) == sorted(counts(told))
    assert len(set(counts(told))) > 3
    assert re.search(r"simulating: [1-5] of 6 settings, about [0-9.]+ (s|min) left", told)
    assert told.endswith("\r\x1b[K"), "nothing is left on the line"


def test_on_a_cluster_as_well(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    somebody_watches(monkeypatch)
    monkeypatch.setattr(common, "_ESTIMATE_AFTER_S", 0.0)
    with local_cluster(2) as cluster:
        plan = replace(SHORT, days=10.0, dask=cluster.scheduler_address)
        with study_progress(plan.draws, None):
            study(collector(), TODAY, PRICES, plan, TRIED)
        worked: int = cluster.scheduler.transition_counter
    assert worked, "the same comes out here, but it was to be done there"
    told = counts(capsys.readouterr().err)
    assert told[-1] == (6, 6)
    assert len(set(told)) > 3


def test_a_search_counts_through_its_generations(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    somebody_watches(monkeypatch)
    with study_progress(SHORT.draws, 50):
        found = search(collector(), TODAY, PRICES, replace(SHORT, days=0.5), 50)
    told = counts(capsys.readouterr().err)
    assert told == sorted(told)
    assert told[0] == (0, 51), "today's settings and as many as were asked for"
    assert told[-1][0] == told[-1][1] >= len(found.candidates)


def test_a_program_is_told_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with study_progress(SHORT.draws, None):
        study(collector(), TODAY, PRICES, SHORT, TRIED[:1])
    assert capsys.readouterr().err == ""


def test_what_comes_late_is_not_shown(capsys: pytest.CaptureFixture[str]) -> None:
    """The last word of another thread may come when the study is over."""
    line = ProgressLine()
    line.show("1 of 3")
    line.close()
    assert capsys.readouterr().err.endswith("\r\x1b[K")
    line.show("3 of 3")
    assert capsys.readouterr().err == ""
