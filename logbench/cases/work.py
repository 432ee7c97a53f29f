"""A case: one thing that the window or the command line can do, as a frozen request.

A case that only looks is a function (`only_looks`), a deed a class.

Whoever asks gets its progress, may cancel it, and gets one answer. What a case changes (a file, a
job, a car) it hands to the store that owns it, so that nothing depends on who still looks on.
"""

from __future__ import annotations

import functools
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Concatenate, Generic, Literal, ParamSpec, TypeVar

from logbench.system.progress import Told
from logbench.words import tr

P = ParamSpec("P")
AnswerT = TypeVar("AnswerT")
Canceling = Literal["drop", "keep", "finish"]
"""`drop`: ends with nothing; `keep`: ends early with what it has; `finish`: is seen through."""


class CancelledError(Exception):
    """Raised inside a case that was canceled; its answer is `Canceled`."""


class Work:
    """One case under way, shared by the thread that runs it and whoever waits for it."""

    def __init__(
        self,
        reported: Callable[[str, float], None] | None = None,
        canceling: Canceling = "drop",
    ) -> None:
        self.reported = reported
        """Who gets the progress."""
        self._cancelling = canceling
        self._lock = threading.Lock()
        self.cancelled = False
        """It is to end: a case that keeps what it has looks here between its steps."""
        self._sealed = canceling == "finish"

    @property
    def dropped(self) -> bool:
        """It was canceled and has no answer, whatever its thread still brings."""
        return self.cancelled and self._cancelling == "drop"

    def cancel(self) -> bool:
        """Ask it to end; False where it is too late and it is seen through."""
        with self._lock:
            if not self._sealed:
                self.cancelled = True
            return self.cancelled

    def stop(self) -> None:
        """The program ends: as `cancel`, but what a case has so far is kept."""
        if self._cancelling == "drop":
            self._cancelling = "keep"
        self.cancel()

    def report(self, text: str, share: float = 0.0) -> None:
        """Called between its steps: what is being done, and the share done, 0 to 1.

        Raises `CancelledError` when the case is to end and keeps nothing.
        """
        if self.dropped:
            raise CancelledError
        if self.reported is not None:
            self.reported(text, share)

    def telling(self, text: str) -> Told:
        """For what tells only the share done; when all is written it is too late to cancel."""

        def told(share: float) -> None:
            self.report(text, share)
            if share >= 1.0:
                self.seal()

        return told

    def telling_of(self, text: str, done: int, of: int) -> Told:
        """The same for one piece of several, of which so many are done; canceled, that one is not
        finished, and the case keeps the others or drops them all."""

        def told(share: float) -> None:
            self.report(text, (done + share) / max(1, of))
            if self.cancelled:
                raise CancelledError

        return told

    def seal(self) -> None:
        """From here on it is seen through: it begins to change what it was asked to change.

        Raises `CancelledError` when it was canceled before.
        """
        with self._lock:
            if self.dropped:
                raise CancelledError
            self._sealed = True


@dataclass(frozen=True)
class Outcome:
    """How something went, in a sentence for whoever asked."""

    sentence: str
    well: bool = True


class Case(ABC, Generic[AnswerT]):
    """A request. Subclasses are frozen dataclasses; `run` may be called on any thread."""

    title: ClassVar[str] = ""
    """What is being done, until it reports more."""
    canceling: ClassVar[Canceling] = "drop"
    deed: ClassVar[bool] = False
    """It changes files or a car: it goes on when whoever asked has gone."""

    @abstractmethod
    def run(self, work: Work) -> AnswerT:
        """Do it. Raises `LogbenchError` for what the world does wrong."""

    def outcome(self, answer: AnswerT) -> Outcome:
        """What to say of a deed's answer; an empty sentence where nothing need be said."""
        return Outcome("")

    def untouched(self) -> str:
        """What to say where it was stopped: what is as it was; an empty sentence where nothing was
        to be changed."""
        return ""

    def __str__(self) -> str:
        return type(self).__name__


class Deed(Case[AnswerT]):
    """A case that changes files or a car, and is seen through."""

    canceling: ClassVar[Canceling] = "finish"
    deed: ClassVar[bool] = True


@dataclass(frozen=True)
class Question(Case[AnswerT]):
    """A function of the work and of what is asked."""

    function: Callable[..., AnswerT]
    given: tuple[Any, ...]
    named: dict[str, Any]

    def run(self, work: Work) -> AnswerT:
        """Call it."""
        return self.function(work, *self.given, **self.named)

    def __str__(self) -> str:
        return self.function.__name__


def not_written(path: Path, source: str) -> str:
    """What to say where the making of a file was stopped."""
    return tr("Stopped: {path} was not written, and {source} is as it was.", path=path,
              source=source)  # fmt: skip


def only_looks(
    function: Callable[Concatenate[Work, P], AnswerT],
) -> Callable[P, Case[AnswerT]]:
    """A function that looks as a case: called without the work, it makes the request."""

    @functools.wraps(function)
    def ask(*given: P.args, **named: P.kwargs) -> Case[AnswerT]:
        return Question(function, given, named)

    return ask


def run_here(case: Case[AnswerT], reported: Callable[[str, float], None] | None = None) -> AnswerT:
    """Run a case on this thread; what it raises comes through. For the command line and tests."""
    return case.run(Work(reported, case.canceling))
