"""What a study simulates, in pieces that run side by side: on all cores, or on a Dask cluster."""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec

from dustcake.analysis.rows import RowModel
from dustcake.analysis.study_loop import Lived, StudyLoop
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints

_CONNECT_S = 10.0


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


def _one(job: Job) -> Lived:
    model, setpoints, by_hour, running, plan, draw = job
    loop = StudyLoop(model, setpoints, by_hour, running, plan.seed + draw)
    return loop.live(plan.days, plan.most_pulses if draw == 0 else plan.most_pulses // 3)


def _some(jobs: list[Job]) -> list[Lived]:
    return [_one(job) for job in jobs]


def live_all(jobs: list[Job], dask: str | None) -> list[Lived]:
    """Live through every job, in order. Raises StudyError."""
    from joblib import Parallel, delayed

    share = max(1, min(25, len(jobs) // 16))
    batches = [jobs[n : n + share] for n in range(0, len(jobs), share)]
    with _on(dask):
        done = Parallel(n_jobs=-1)(delayed(_some)(batch) for batch in batches)
    return [each for batch in done for each in batch]


@contextmanager
def _on(dask: str | None) -> Iterator[None]:
    """Where joblib is to run: on this machine, or on a cluster. Raises StudyError."""
    if dask is None:
        yield
        return
    if find_spec("distributed") is None:
        raise StudyError('--dask needs the extra `cluster`: pip install "dustcake[cluster]"')
    from distributed import Client
    from joblib import parallel_config

    try:
        client = Client(dask, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise StudyError(
            f"--dask {dask}: no scheduler there ({error}); start it, or leave the option out"
        ) from None
    with client, parallel_config(backend="dask", client=client):
        yield
