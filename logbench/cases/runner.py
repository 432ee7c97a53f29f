"""Runs cases on threads, and brings each exactly one answer to whoever it belongs to."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

from logbench.cases.work import CancelledError, Case, Outcome, Work
from logbench.errors import NO_MEMORY, AnotherCarError, LogbenchError
from logbench.foreign import in_label
from logbench.words import tr

_log = logging.getLogger(__name__)
Done = Callable[[Any], object]
Failed = Callable[[str], object]
Reported = Callable[[str, float], object]


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
    said: str = ""
    """What it reported last."""
    share: float = 0.0
    """How far it was then, 0 to 1; work that cannot tell stays at 0."""

    def cancel(self) -> bool:
        """Ask it to end; False where it is too late. A case that keeps nothing is over at once for
        whoever asked; the others answer with what they have."""
        return self.owner.runner.cancel(self)


class Owner:
    """Whoever cases are run for: a job, a shown recording, a page.

    Once closed it gets no more answers. What only it wanted is canceled; deeds go on.
    """

    def __init__(self, runner: Runner, name: str = "") -> None:
        self.runner, self.name = runner, name
        """`name`: put before the outcome of a deed that ends when the owner has gone."""
        self.closed = False
        self.another_car: Callable[[Running, AnotherCarError], object] | None = None
        """Gets, instead of `failed`, what may be done once a person says that it is the same
        car."""
        self._slots: dict[str, Running] = {}

    def named(self, outcome: Outcome) -> Outcome:
        """An outcome for where the owner is not shown: its name comes first."""
        name = f"{in_label(self.name)}: " if self.name else ""
        return Outcome(f"{name}{outcome.sentence}", outcome.well)

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

        `ended` comes once before `done` or `failed`, and alone when it was canceled. Of a `slot`
        only the last case started has an answer: what ran in it before is canceled.
        """
        self.cancel(slot)
        work = Work(None, case.canceling)
        running = Running(case, work, self, done, failed, reported, ended)
        if slot:
            self._slots[slot] = running
        self.runner.run(running)
        return running

    def do(self, deed: Case[Any], said: Callable[[Outcome], object]) -> Running:
        """Run a deed; `said` gets how it went."""
        return self.start(
            deed,
            lambda answer: said(deed.outcome(answer)),
            lambda sentence: said(Outcome(sentence, well=False)),
        )

    def cancel(self, slot: str) -> None:
        """Cancel what runs in a slot, if anything does."""
        if slot in self._slots:
            self._slots[slot].cancel()

    def close(self) -> None:
        """It is gone: nothing that only it wanted is done any more."""
        self.closed = True
        for running in self.runner.running:
            if running.owner is self and not running.case.deed:
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
        self.unowned: Callable[[Outcome], None] = _nothing
        """Gets the outcome of a deed whose owner has gone, its name before the sentence."""
        self.changed: list[Callable[[], object]] = []
        """Called whenever a case starts, reports or ends, whoever owns it."""

    @property
    def busy(self) -> bool:
        """Some case is still on its thread, with or without an answer to come."""
        return bool(self._on_threads)

    def owner(self, name: str = "") -> Owner:
        """A new one."""
        return Owner(self, name)

    @property
    def running(self) -> tuple[Running, ...]:
        """What has not ended yet, the oldest first."""
        return tuple(self._running)

    def run(self, running: Running) -> None:
        """Run it; once closed nothing is run, and it comes back canceled."""
        if self._closed:
            running.work.cancel()
            return
        running.work.reported = lambda text, share: self._deliver(
            lambda: self._report(running, text, share)
        )
        running.said = running.case.title
        self._running.append(running)
        self._on_threads += 1
        self._threads.submit(self._work, running).add_done_callback(
            lambda _: self._deliver(self._off_thread)
        )
        self._changed()

    def cancel(self, running: Running) -> bool:
        """See `Running.cancel`."""
        if running not in self._running:
            return False
        canceled = running.work.cancel()
        if running.work.dropped:
            self._end(running)
        return canceled

    def close(self) -> None:
        """Cancel what may be, see the rest through; afterwards no call is made any more. What a
        deed has until then is kept."""
        self._closed = True
        for running in self._running:
            if running.case.deed:
                running.work.stop()
            else:
                running.work.cancel()
        self._threads.shutdown(wait=True)
        self._running.clear()

    # --- inside ---

    def _work(self, running: Running) -> None:
        """On the other thread."""
        if running.work.dropped:
            self._deliver(lambda: self._end(running))
            return
        try:
            answer = running.case.run(running.work)
        except CancelledError:
            self._deliver(lambda: self._end(running))
        except AnotherCarError as error:
            self._deliver(partial(self._ask, running, error))
        except LogbenchError as error:
            self._fail(running, str(error))
        except MemoryError:
            self._fail(running, NO_MEMORY)
        except BaseException as error:
            _log.exception("the case %s failed", running.case)
            text = tr(
                "Something in logbench went wrong ({kind}); the log tells more, and what was "
                "recorded is untouched.",
                kind=type(error).__name__,
            )
            self._fail(running, text)
        else:
            self._deliver(
                lambda: self._answer(
                    running, lambda: running.done(answer), lambda: running.case.outcome(answer)
                )
            )

    def _fail(self, running: Running, sentence: str) -> None:
        """On the other thread."""
        self._deliver(
            lambda: self._answer(
                running, lambda: running.failed(sentence), lambda: Outcome(sentence, well=False)
            )
        )

    def _off_thread(self) -> None:
        self._on_threads -= 1

    def _report(self, running: Running, text: str, share: float) -> None:
        if running not in self._running or running.work.cancelled:
            return
        running.said, running.share = text, share
        self._changed()
        if not running.owner.closed:
            running.reported(text, share)

    def _answer(
        self, running: Running, tell: Callable[[], object], outcome: Callable[[], Outcome]
    ) -> None:
        """Bring the answer; `outcome` says it where the owner of a deed has gone."""
        if not self._end(running):
            return
        if not running.owner.closed:
            tell()
        elif running.case.deed and (said := outcome()).sentence:
            self.unowned(running.owner.named(said))

    def _ask(self, running: Running, error: AnotherCarError) -> None:
        ask = running.owner.another_car
        if ask is None or running.owner.closed:
            self._fail(running, str(error))
        elif self._end(running):
            ask(running, error)

    def _end(self, running: Running) -> bool:
        """It is over; False when it was before."""
        if running not in self._running:
            return False
        self._running.remove(running)
        self._changed()
        if not running.owner.closed:
            running.ended()
        return True

    def _changed(self) -> None:
        for call in self.changed:
            call()
