"""What a study simulates, in pieces that run side by side: on all cores, or on a Dask cluster."""

import re
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from contextvars import ContextVar
from importlib.util import find_spec
from itertools import chain
from time import sleep
from typing import TYPE_CHECKING

from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import install_hint
from dustcake_lab.study.loop import RowModel, RunTotals, StudyLoop

if TYPE_CHECKING:
    from distributed import Client

_CONNECT_S, _WORKER_S, _LOOK_S = 10.0, 20.0, 0.02
_ADDRESS = re.compile(
    r"(?:(?:tcp|tls|ws|wss)://)?[^\s/:]+:\d{1,5}|(?:tcp|tls)://\[[^\s/]+\]:\d{1,5}"
)


class StudyError(Exception):
    """Why there is no study, and the remedy."""


@record
class Plan:
    """``days`` to simulate under each of ``draws`` sets of parameters. A candidate that has fired
    ``most_pulses`` (under all but the likeliest set a third of it) is not simulated further: what
    it needs is known by then. ``dask``: address of a scheduler to run on."""

    days: float = 30.0
    draws: int = 4
    seed: int = 1
    most_pulses: int = 800
    shortest_interval_s: float = 5.0
    most_dp_pa: float | None = None
    least_flow: float | None = None
    dask: str | None = None


Job = tuple[RowModel, Setpoints, list[float], list[float], Plan, int]


def _some(jobs: list[Job]) -> list[RunTotals]:
    done = []
    for model, setpoints, by_hour, running, plan, draw in jobs:
        loop = StudyLoop(model, setpoints, by_hour, running, plan.seed + draw)
        most = plan.most_pulses if draw == 0 else plan.most_pulses // 3
        done.append(loop.run(plan.days, most))
    return done


_Report = Callable[[int], None]
_WATCHED: ContextVar[tuple[_Report, _Report]] = ContextVar(
    "watched", default=(lambda _: None, lambda _: None)
)


@contextmanager
def watched(begins: _Report, over: _Report) -> Iterator[None]:
    """While this lasts, ``begins`` is called with how many jobs each call of ``run_all`` has, and
    ``over``, maybe in another thread, now and then with how many of them are done."""
    token = _WATCHED.set((begins, over))
    try:
        yield
    finally:
        _WATCHED.reset(token)


def run_all(jobs: list[Job], dask: str | None) -> list[RunTotals]:
    """Run every job, in order. Raises StudyError."""
    share = max(1, min(25, len(jobs) // 16))
    batches = [jobs[n : n + share] for n in range(0, len(jobs), share)]
    begins, over = _WATCHED.get()
    begins(len(jobs))

    def report(batches_over: int) -> None:
        over(min(batches_over * share, len(jobs)))

    made = _here(batches, report) if dask is None else _on_cluster(batches, dask, report)
    return list(chain.from_iterable(made))


def _here(batches: list[list[Job]], report: _Report) -> list[list[RunTotals]]:
    """Run the batches on all cores of this machine."""
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=-1)
    parallel.print_progress = lambda: report(parallel.n_completed_tasks)
    made: list[list[RunTotals]] = parallel(delayed(_some)(batch) for batch in batches)
    return made


def _on_cluster(batches: list[list[Job]], dask: str, report: _Report) -> list[list[RunTotals]]:
    """Run the batches on a Dask cluster. Not through joblib: it waits without end for a scheduler
    that has gone, and where there is but one worker it does the work here. Raises StudyError."""
    with _connected(dask) as client:  # which says so where `distributed` is not installed
        from distributed import KilledWorker

        futures, alone_s = client.map(_some, batches, pure=False), 0.0
        while any(future.status == "pending" for future in futures):
            sleep(_LOOK_S)
            report(sum(future.status != "pending" for future in futures))
            alone_s = 0.0 if client.scheduler_info().get("workers") else alone_s + _LOOK_S
            if alone_s > _WORKER_S and client.status == "running":
                raise StudyError(_lost(dask, f"no worker any more for {_WORKER_S:g} s"))
        try:
            made: list[list[RunTotals]] = client.gather(futures)  # type: ignore[no-untyped-call]
        except (CancelledError, KilledWorker, OSError) as error:
            why = str(error).partition("\n")[0] or "the scheduler has gone"
            raise StudyError(_lost(dask, why)) from None
        report(len(futures))
        return made


def _lost(dask: str, why: str) -> str:
    return f"--dask {dask}: the cluster has been lost ({why}); see to it and begin again"


def require_cluster(dask: str) -> None:
    """Raises StudyError where nothing can be run at ``dask``: before work is begun that would be
    lost."""
    with _connected(dask) as client:
        try:
            # A task, since some clusters start a worker only when there is one. It is of this
            # module, so that a worker without dustcake cannot do it.
            client.submit(_some, [], pure=False).result(timeout=_WORKER_S)
        except TimeoutError:
            raise StudyError(
                f"--dask {dask}: no worker of this scheduler took a task within {_WORKER_S:g} s: "
                f"start one with `dask worker {dask}`, or leave the option out"
            ) from None
        except ImportError as error:
            raise StudyError(
                f"--dask {dask}: a worker has not what it needs ({error}): install dustcake with "
                "the extra `cluster` there, in the same version"
            ) from None


@contextmanager
def _connected(dask: str) -> "Iterator[Client]":
    if find_spec("distributed") is None:
        raise StudyError(f"--dask needs {install_hint('cluster')}")
    from distributed import Client

    # A client that does not understand its address leaves a traceback behind when it is collected.
    if _ADDRESS.fullmatch(dask) is None:
        raise StudyError(f"--dask {dask!r}: write the scheduler's address as tcp://host:8786")
    try:
        client = Client(dask, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise StudyError(
            f"--dask {dask}: no scheduler there ({error}); start it, or leave the option out"
        ) from None
    with client:
        yield client
