"""Having something done by the thread that runs a server."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

T = TypeVar("T")


class Calls:
    """Actions put in by any thread and carried out by one."""

    def __init__(self) -> None:
        self._waiting: SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = SimpleQueue()

    def put(self, action: Callable[[], T]) -> Future[T]:
        """Have `action` carried out; its result or exception is the future's."""
        future: Future[T] = Future()
        self._waiting.put((action, future))
        return future

    def carry_out(self) -> None:
        """Do everything that waits."""
        while True:
            try:
                action, future = self._waiting.get_nowait()
            except Empty:
                return
            try:
                future.set_result(action())
            except Exception as error:  # belongs to whoever asked
                future.set_exception(error)
