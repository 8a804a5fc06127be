"""A Dask cluster on this machine."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def local_cluster(workers: int) -> Iterator[Any]:
    """With so many processes of one thread each; its page at any port, since others run as well."""
    from distributed import LocalCluster

    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1"
    ) as cluster:
        yield cluster
