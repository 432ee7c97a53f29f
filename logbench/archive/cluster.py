"""The worker processes of a sweep: our own, closed to everybody else, or those of a given cluster.

Whoever can talk to a scheduler or a worker of dask.distributed can have it run anything. Our own
talk by TLS with a key that is made for one sweep and held in memory, on this computer's own
address only, and have no port but the one they work on. A given cluster is its owner's affair.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from multiprocessing import resource_tracker

from distributed import Client, Nanny, Scheduler, Security, SpecCluster, Worker

from logbench.archive.findings import checks_version
from logbench.errors import ArchiveError
from logbench.system.platforms import no_interrupt
from logbench.system.version import VERSION

_HOST = "127.0.0.1"
_WORKERS_S = 30.0
"""How long is waited for the first worker of a given cluster."""
_CHATTY = ("distributed", "tornado", "asyncio")


class _QuietScheduler(Scheduler):
    def start_http_server(self, *_: object, **__: object) -> None:
        """None: it would be an open port without a key."""


class _QuietWorker(Worker):
    def start_http_server(self, *_: object, **__: object) -> None:
        """None, as of the scheduler."""


@contextmanager
def client_of(scheduler: str | None, processes: int) -> Iterator[Client]:
    """A client of the given cluster, or of worker processes of our own, all closed afterwards.
    Raises `ArchiveError`."""
    with _quiet():
        if scheduler is None:
            with _own_cluster(processes) as cluster, _connected(cluster) as client:
                yield client
            return
        try:
            client = _connected(scheduler, timeout="10s")
        except (OSError, ValueError) as error:
            raise ArchiveError(
                f"No dask scheduler answers at {scheduler}: start it, or leave --scheduler out."
            ) from error
        with client:
            _require_same(client, scheduler)
            yield client


@contextmanager
def _quiet() -> Iterator[None]:
    """What dask tells of its own work is nothing for the terminal: what goes wrong is raised."""
    loggers = [logging.getLogger(name) for name in _CHATTY]
    before = [logger.level for logger in loggers]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module="distributed")
        try:
            for logger in loggers:
                logger.setLevel(logging.CRITICAL + 1)
            yield
        finally:
            for logger, level in zip(loggers, before, strict=True):
                logger.setLevel(level)


def versions() -> dict[str, str]:
    """What must be the same wherever a sweep is at work."""
    return {"logbench": VERSION, "its checks, bands and signals": checks_version()}


def require_versions(mine: Mapping[str, str], theirs: Mapping[str, str], where: str) -> None:
    """Raises `ArchiveError` where they differ."""
    other = [name for name in mine if mine[name] != theirs.get(name)]
    if other:
        told = "; ".join(f"{name}: {mine[name]} here, {theirs.get(name, 'none')}" for name in other)
        raise ArchiveError(
            f"{where} has another version ({told} there): install the same on every worker."
        )


def _require_same(client: Client, scheduler: str) -> None:
    """Of the workers that are there; those that come later are asked at their first task."""
    try:
        client.wait_for_workers(1, timeout=_WORKERS_S)
        found = client.run(versions)
    except TimeoutError as error:
        raise ArchiveError(
            f"No worker has come to {scheduler} within {_WORKERS_S:.0f} s: start some there."
        ) from error
    except (ImportError, AttributeError) as error:
        raise ArchiveError(
            f"A worker of {scheduler} lacks this program ({error}): install it on every worker."
        ) from error
    for worker, theirs in found.items():
        require_versions(versions(), theirs, f"The worker {worker}")


def _connected(to: str | SpecCluster, **how: str) -> Client:
    return Client(to, set_as_default=False, **how)  # type: ignore[no-untyped-call]


def _own_cluster(processes: int) -> SpecCluster:
    security = Security.temporary()  # type: ignore[no-untyped-call]
    common = {"host": _HOST, "protocol": "tls://", "security": security}
    worker = {
        "cls": Nanny,
        "options": common | {"worker_class": _QuietWorker, "nthreads": 1, "silence_logs": 50},
    }
    scheduler = {"cls": _QuietScheduler, "options": common | {"dashboard": False}}
    resource_tracker.ensure_running()  # else it lets Ctrl-C through to the thread that starts it
    with no_interrupt():
        return SpecCluster(  # type: ignore[no-untyped-call]
            scheduler=scheduler,
            workers=dict.fromkeys(range(processes), worker),
            security=security,
            silence_logs=50,
        )
