"""Whether a cluster can be used is known before anything is read, and said in words."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from dustcake.__main__ import main
from dustcake.analysis.study_jobs import StudyError, require_cluster
from traces.recorded import settings_text


@pytest.mark.parametrize(
    "address", ["nonsense", "", "http://x", "http://127.0.0.1:8786", "tcp://x", "x:80 80"]
)
def test_what_is_no_address(tmp_path: Path, address: str) -> None:
    """In a process of its own, whose end collects what was left; the trace is a pipe nobody writes
    to, so that whoever reads it first never comes back."""
    os.mkfifo(tmp_path / "trace.csv")
    (tmp_path / "plant.toml").write_text(settings_text())
    study = [sys.executable, "-m", "dustcake", "study", "trace.csv", "--settings", "plant.toml"]
    ended = subprocess.run(
        [*study, "--dask", address],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert ended.returncode == 2
    assert ended.stderr == (
        f"--dask {address!r}: write the scheduler's address as tcp://host:8786\n"
    )


@pytest.mark.parametrize("fleet", [False, True])
def test_a_scheduler_nobody_works_for(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], fleet: bool
) -> None:
    from distributed import LocalCluster

    monkeypatch.setattr("dustcake.analysis.study_jobs._WORKER_S", 0.5)
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=0, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1"
    ) as cluster:
        at: str = cluster.scheduler_address
        what = ["--fleet", "none.csv"] if fleet else ["none.csv", "--settings", "none.toml"]
        assert main(["study", *what, "--dask", at]) == 2
    assert capsys.readouterr().err == (
        f"--dask {at}: no worker of this scheduler took a task within 0.5 s: start one with "
        f"`dask worker {at}`, or leave the option out\n"
    )


def test_a_cluster_that_works_is_let_pass() -> None:
    from distributed import LocalCluster

    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1"
    ) as cluster:
        require_cluster(cluster.scheduler_address)


def test_a_scheduler_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dustcake.analysis.study_jobs._CONNECT_S", 0.3)
    with pytest.raises(StudyError, match="no scheduler there"):
        require_cluster("tcp://127.0.0.1:9")
