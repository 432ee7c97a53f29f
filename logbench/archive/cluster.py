"""The worker processes of a sweep: our own, closed to everybody else, or those of a given cluster.

Whoever can talk to a scheduler or a worker of dask.distributed can have it run anything. Our own
talk by TLS with a key that is made for one sweep and held in memory, on this computer's own
address only, and have no port but the one they work on. A given cluster is its owner's affair.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from distributed import Client, Nanny, Scheduler, Security, SpecCluster, Worker

from logbench.errors import ArchiveError

_HOST = "127.0.0.1"


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
        yield client


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
    return SpecCluster(  # type: ignore[no-untyped-call]
        scheduler=scheduler,
        workers=dict.fromkeys(range(processes), worker),
        security=security,
        silence_logs=50,
    )
