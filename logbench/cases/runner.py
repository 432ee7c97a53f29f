"""Runs cases on threads, and brings each exactly one answer to whoever it belongs to."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from logbench.cases.work import CancelledError, Case, Work
from logbench.errors import LogbenchError
from logbench.words import tr

_log = logging.getLogger(__name__)
Done = Callable[[Any], None]
Failed = Callable[[str], None]
Reported = Callable[[str, float], None]


def _nothing(*_: object) -> None:
    """For whoever does not care."""


@dataclass(eq=False)
class Running:
    """A case under way: what was asked, by whom, and who gets the answer."""

    case: Case[Any]
    work: Work
    owner: Owner
    done: Done
    failed: Failed
    reported: Reported
    ended: Callable[[], None]

    def cancel(self) -> bool:
        """Ask it to end; False where it is too late. A case that keeps nothing is over at once for
        whoever asked; the others answer with what they have."""
        return self.owner.runner.cancel(self)


class Owner:
    """Whoever cases are run for: a job, a shown recording, a page.

    Once closed it gets no more answers. What only it wanted is cancelled; deeds go on.
    """

    def __init__(self, runner: Runner, name: str = "") -> None:
        self.runner, self.name = runner, name
        """`name`: put before the outcome of a deed that ends when the owner has gone."""
        self.closed = False
        self._slots: dict[str, Running] = {}

    def start(
        self,
        case: Case[Any],
        done: Done = _nothing,
        failed: Failed = _nothing,
        reported: Reported = _nothing,
        *,
        ended: Callable[[], None] = _nothing,
        slot: str = "",
    ) -> Running:
        """Run a case; all calls come on the runner's own thread (the window's).

        `ended` comes once before `done` or `failed`, and alone when it was cancelled. Of a `slot`
        only the last case started has an answer: what ran in it before is cancelled.
        """
        before = self._slots.get(slot) if slot else None
        if before is not None:
            before.cancel()
        work = Work(None, case.cancelling)
        running = Running(case, work, self, done, failed, reported, ended)
        if slot:
            self._slots[slot] = running
        self.runner.run(running)
        return running

    def close(self) -> None:
        """It is gone: nothing that only it wanted is done any more."""
        self.closed = True
        for running in self.runner.of(self):
            if not running.case.deed:
                running.cancel()


class Runner:
    """`deliver(call)` has a call made on the thread that owns the callbacks; Qt's queued signal in
    the window, in tests a list."""

    def __init__(self, deliver: Callable[[Callable[[], object]], None], threads: int = 2) -> None:
        self._deliver = deliver
        self._threads = ThreadPoolExecutor(max_workers=threads, thread_name_prefix="case")
        self._running: list[Running] = []
        self._on_threads = 0
        self._closed = False
        self.unowned: Callable[[str, bool], None] = _nothing
        """Gets the sentence of a deed whose owner has gone, and whether it went well."""

    @property
    def busy(self) -> bool:
        """Some case is still on its thread, with or without an answer to come."""
        return bool(self._on_threads)

    def owner(self, name: str = "") -> Owner:
        """A new one."""
        return Owner(self, name)

    def of(self, owner: Owner) -> list[Running]:
        """What runs for an owner."""
        return [running for running in self._running if running.owner is owner]

    def run(self, running: Running) -> None:
        """Run it; once closed nothing is run, and it comes back cancelled."""
        if self._closed:
            running.work.cancel()
            return
        running.work.on_report(
            lambda text, share: self._deliver(lambda: self._report(running, text, share))
        )
        self._running.append(running)
        self._on_threads += 1
        self._threads.submit(self._work, running).add_done_callback(
            lambda _: self._deliver(self._off_thread)
        )

    def cancel(self, running: Running) -> bool:
        """See `Running.cancel`."""
        if running not in self._running:
            return False
        cancelled = running.work.cancel()
        if running.work.dropped:
            self._end(running)
        return cancelled

    def close(self) -> None:
        """Cancel what may be, see the rest through; afterwards no call is made any more."""
        self._closed = True
        for running in list(self._running):
            running.work.cancel()
        self._threads.shutdown(wait=True, cancel_futures=True)
        self._running.clear()

    # --- inside ---

    def _work(self, running: Running) -> None:
        """On the other thread."""
        try:
            answer = running.case.run(running.work)
        except CancelledError:
            self._deliver(lambda: self._end(running))
        except LogbenchError as error:
            sentence = str(error)
            self._deliver(lambda: self._fail(running, sentence))
        except BaseException as error:
            _log.exception("the case %s failed", type(running.case).__name__)
            kind = type(error).__name__
            self._deliver(
                lambda: self._fail(
                    running,
                    tr(
                        "Something in logbench went wrong ({kind}); the log tells more, and what "
                        "was recorded is untouched.",
                        kind=kind,
                    ),
                )
            )
        else:
            self._deliver(lambda: self._done(running, answer))

    def _off_thread(self) -> None:
        self._on_threads -= 1

    def _report(self, running: Running, text: str, share: float) -> None:
        if running in self._running and not running.work.cancelled and not running.owner.closed:
            running.reported(text, share)

    def _done(self, running: Running, answer: Any) -> None:
        if not self._end(running):
            return
        if not running.owner.closed:
            running.done(answer)
        elif running.case.deed:
            self._tell_unowned(running, running.case.outcome(answer), well=True)

    def _fail(self, running: Running, sentence: str) -> None:
        if not self._end(running):
            return
        if not running.owner.closed:
            running.failed(sentence)
        elif running.case.deed:
            self._tell_unowned(running, sentence, well=False)

    def _end(self, running: Running) -> bool:
        """It is over; False when it was before."""
        if running not in self._running:
            return False
        self._running.remove(running)
        if not running.owner.closed:
            running.ended()
        return True

    def _tell_unowned(self, running: Running, sentence: str, *, well: bool) -> None:
        if sentence:
            name = running.owner.name
            self.unowned(f"{name}: {sentence}" if name else sentence, well)
