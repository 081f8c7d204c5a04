"""The workers of a Dask cluster as an executor of `concurrent.futures`.

dask.distributed (extra ``cluster``) is imported here and nowhere else, when a cluster is asked for. Its
scheduler gives the jobs of a worker that died to another one, a few times (``allowed-failures`` of the
scheduler, 3 unless its configuration says otherwise).
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any

from linkbudget.errors import Fault, SettingsError, import_extra

__all__ = ["cluster_executor"]

ANSWER_S = 15
"""How long a scheduler and its first worker may take to answer."""


@contextmanager
def cluster_executor(address: str) -> Iterator[tuple[Executor, int]]:
    """Give an executor whose jobs run on the workers of a Dask cluster, and how many run at once.

    ``address`` is that of its scheduler (``tcp://host:8786``). The workers need this version of linkbudget,
    and read captures under the names they have here. Raises `SettingsError` when dask.distributed is missing,
    when nothing answers at the address, when there is no worker, and when the workers lack this library.
    """
    distributed = import_extra("distributed", "cluster", "a cluster needs it")
    with _quietened():
        client = _client(distributed, address)
        try:
            yield client.get_executor(), _threads(client, address)
        finally:
            client.close()


@contextmanager
def _quietened() -> Iterator[None]:
    """Keep back what dask.distributed logs: that of workers and scheduler belongs into their own logs.

    Some of its loggers have levels of their own. What becomes of the jobs is told by whoever waits for them.
    """
    names = [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]
    before = {logger: logger.level for logger in map(logging.getLogger, names)}
    for logger in before:
        logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for logger, level in before.items():
            logger.setLevel(level)


def _client(distributed: Any, address: str) -> Any:
    try:
        return distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        why = (str(error).splitlines() or [type(error).__name__])[0]
        problem = f"{address}: no Dask scheduler answers ({why})"
        raise SettingsError(
            Fault("", address, "the address of one, as tcp://HOST:8786", problem=problem)
        ) from None


def _threads(client: Any, address: str) -> int:
    """Return how many jobs the workers do at once; raise where they cannot do any."""
    from linkbudget import __version__

    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except TimeoutError:
        problem = f"{address}: the cluster has no worker"
        allowed = f"workers that were started, as by: dask worker {address} --nthreads 1"
        raise SettingsError(Fault("", address, allowed, problem=problem)) from None

    def version_there() -> str | None:
        from importlib.metadata import PackageNotFoundError, version

        try:
            return version("linkbudget")
        except PackageNotFoundError:
            return None

    there = client.run(version_there)
    others = {worker: version for worker, version in there.items() if version != __version__}
    if others:
        worker, version = next(iter(others.items()))
        has = f"linkbudget {version}" if version else "no linkbudget"
        problem = f"{address}: {len(others)} of {len(there)} workers cannot replay: {worker} has {has}"
        raise SettingsError(Fault("", address, f"linkbudget {__version__} on each", problem=problem))
    return sum(client.nthreads().values())
