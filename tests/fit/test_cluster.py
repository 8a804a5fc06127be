"""Whether a cluster can be used is known before anything is read, and said in words."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from core.driver import chosen
from dustcake.__main__ import main
from dustcake_lab.study.jobs import Job, Plan, StudyError, require_cluster, run_all, watched
from dustcake_lab.study.loop import RowModel
from fit.local_cluster import local_cluster
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
    monkeypatch.setattr("dustcake_lab.study.jobs._WORKER_S", 0.5)
    with local_cluster(0) as cluster:
        at: str = cluster.scheduler_address
        what = ["--fleet", "none.csv"] if fleet else ["none.csv", "--settings", "none.toml"]
        assert main(["study", *what, "--dask", at]) == 2
    assert capsys.readouterr().err == (
        f"--dask {at}: no worker of this scheduler took a task within 0.5 s: start one with "
        f"`dask worker {at}`, or leave the option out\n"
    )


def test_a_cluster_that_works_is_let_pass() -> None:
    with local_cluster(1) as cluster:
        require_cluster(cluster.scheduler_address)


def test_a_scheduler_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dustcake_lab.study.jobs._CONNECT_S", 0.3)
    with pytest.raises(StudyError, match="no scheduler there"):
        require_cluster("tcp://127.0.0.1:9")


class Cluster:
    """A scheduler and a worker with one thread, in processes of their own."""

    def __init__(self, folder: Path) -> None:
        told = folder / "scheduler.json"
        run, quiet = [sys.executable, "-m", "distributed.cli"], ["--no-dashboard"]
        where = ["--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told)]
        self.scheduler = self._started(
            [*run[:2], f"{run[2]}.dask_scheduler", *where, *quiet], folder
        )
        worker = ["--scheduler-file", str(told), "--nworkers", "1", "--nthreads", "1", "--no-nanny"]
        self.worker = self._started([*run[:2], f"{run[2]}.dask_worker", *worker, *quiet], folder)
        until = time.monotonic() + 30.0
        while not told.exists() or not told.read_text():
            assert time.monotonic() < until, "no scheduler"
            time.sleep(0.05)
        self.address: str = json.loads(told.read_text())["address"]

    def _started(self, command: list[str], folder: Path) -> "subprocess.Popen[bytes]":
        return subprocess.Popen(
            command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def kill(self) -> None:
        for process in (self.worker, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    made = Cluster(tmp_path)
    try:
        yield made
    finally:
        made.kill()


LONG = Plan(days=4000.0, draws=1, most_pulses=10**9)


def a_job() -> Job:
    model = RowModel(4, 0.0225, 600.0, 0.6, 0.05)
    setpoints = chosen(fitted={"blower_running": True}, cleaning={"low_pa": 700.0})
    return model, setpoints, [1.0] * 24, [1.0] * 24, LONG, 0


def short_job() -> Job:
    return (*a_job()[:4], Plan(days=1.0, draws=1), 0)


def test_one_worker_of_one_thread_does_the_work(cluster: Cluster) -> None:
    from distributed import Client

    require_cluster(cluster.address)
    here = run_all([short_job()], None)
    heard: list[int] = []
    with watched(heard.append, heard.append):
        assert run_all([short_job()], cluster.address) == here
    assert heard[0] == heard[-1] == 1
    with Client(cluster.address, set_as_default=False) as client:  # type: ignore[no-untyped-call]
        (count,) = client.run(lambda dask_worker: dask_worker.state.executed_count).values()
    assert count == 2, "what the cluster was tried with, and the job"


@pytest.mark.parametrize("who", ["scheduler", "worker"])
@pytest.mark.patience(120, "a cluster starts, and goes")
def test_a_cluster_that_goes_in_the_middle_is_not_waited_for(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch, who: str
) -> None:
    require_cluster(cluster.address)
    monkeypatch.setattr("dustcake_lab.study.jobs._CONNECT_S", 2.0)
    monkeypatch.setattr("dustcake_lab.study.jobs._WORKER_S", 3.0)
    killer = threading.Timer(3.0, getattr(cluster, who).kill)
    killer.start()
    with pytest.raises(StudyError, match=r"the cluster has been lost \(.+\); see to it and begin"):
        run_all([a_job()], cluster.address)
    killer.join()
