"""Work shared out over processes or over the machines of a cluster; results come back in order, whoever did them."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from schemas.errors import FairtankError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    SpreadOut = Callable[[Callable[[int], Any], Iterable[int]], Iterable[Any]]

Result = TypeVar("Result")


@contextmanager
def spreading(workers: int = 1, cluster: str | None = None) -> Iterator[SpreadOut]:
    """Something like ``map`` over the numbers of chunks, for the time of a ``with`` block.

    Parameters
    ----------
    workers : int
        Processes of this machine; 1 works in this one.
    cluster : str, optional
        Address of the scheduler of a Dask cluster, e.g. ``tcp://127.0.0.1:8786``, in place of processes here.

    Raises
    ------
    UsageError
        Fewer than one worker.
    FairtankError
        Dask is not installed, or no scheduler answers.
    """
    if workers < 1:
        raise UsageError(f"{workers} workers cannot work; give 1 or more.")
    if cluster is not None:
        with _on_cluster(cluster) as spread_out:
            yield spread_out
    elif workers == 1:
        yield map
    else:
        yield _over_processes(workers)


def _over_processes(workers: int) -> SpreadOut:
    from joblib import Parallel, delayed, parallel_config

    def spread_out(work: Callable[[int], Result], numbers: Iterable[int]) -> Iterator[Result]:
        # One thread of linear algebra each: more would only wait for one another.
        with parallel_config(backend="loky", inner_max_num_threads=1):
            pool = Parallel(n_jobs=workers, return_as="generator", pre_dispatch="2*n_jobs")
            yield from pool(delayed(work)(number) for number in numbers)

    return spread_out


@contextmanager
def _on_cluster(address: str) -> Iterator[SpreadOut]:
    try:
        from distributed import Client
    except ImportError:
        raise FairtankError(
            'A cluster needs Dask, which is not installed; install it with pip install "fairtank[cluster]", or use '
            "--workers on this machine."
        ) from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise FairtankError(
            f"No scheduler of a Dask cluster answers at {address} ({reason}); give the address that "
            "`dask scheduler` prints, e.g. tcp://127.0.0.1:8786."
        ) from None

    def spread_out(work: Callable[[int], Result], numbers: Iterable[int]) -> Iterator[Result]:
        futures = client.map(work, list(numbers), pure=False)
        try:
            for future in futures:
                yield future.result()
        finally:
            client.cancel(futures)

    try:
        yield spread_out
    finally:
        client.close()
