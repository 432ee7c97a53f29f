"""Every thread of the program is a `Supervised` one: its death never goes unnoticed."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Self

from logbench.errors import LogbenchError, WorkerDiedError

log = logging.getLogger(__name__)


class Supervised:
    """A named daemon thread with one piece of work.

    If `run` raises anything, the thread is dead: the traceback is logged, the exception kept in
    `error` and reported at once to `on_death`, and raised by `check`. A `run` that returns has
    ended, not died. As a context manager it starts, and on leaving stops and joins.
    """

    def __init__(
        self,
        name: str,
        run: Callable[[], object],
        *,
        on_stop: Callable[[], object] | None = None,
        on_death: Callable[[BaseException], object] | None = None,
    ) -> None:
        """`name` for the log and the user. Not started yet.

        on_stop: makes a `run` return that does not look at `stopping`; called by `stop`, on its
        thread. on_death: called once, on the dying thread, after `error` is set.
        """
        self.name = name
        self.error: BaseException | None = None
        """What the thread died of."""
        self.stopping = threading.Event()
        """Set by `stop`; `run` may wait for it."""
        self._run, self._on_stop, self._on_death = run, on_stop, on_death
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    def start(self) -> Self:
        """Start the thread, once."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Ask the work to end; does not wait for it. More than once does no harm."""
        self.stopping.set()
        if self._on_stop is not None:
            self._on_stop()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end, None: for ever; False if it did not come within `timeout_s`.

        On the thread itself (in `on_death`) and before `start` there is nothing to wait for.
        """
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Whether the work goes on: started, neither ended nor dead."""
        return self.error is None and self._thread.is_alive()

    def check(self) -> None:
        """Raise what the thread died of: a `LogbenchError` itself, else a `WorkerDiedError`."""
        if isinstance(self.error, LogbenchError):
            raise self.error
        if self.error is not None:
            raise WorkerDiedError.of(self.name, self.error) from self.error

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()
        self.join()

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as error:  # whatever it is, the thread is dead of it
            self.error = error
            log.exception("the thread %r died", self.name)
            try:
                if self._on_death is not None:
                    self._on_death(error)
            except BaseException:
                log.exception("reporting the death of the thread %r failed", self.name)
