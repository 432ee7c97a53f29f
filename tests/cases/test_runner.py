"""Exactly one answer for each case, to whoever it belongs to, whatever happens meanwhile."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, ClassVar

import pytest

from logbench.cases.runner import Owner, Runner
from logbench.cases.work import Canceling, Case, Outcome, Work
from logbench.errors import UsageError

SOON_S = 20.0


class Window:
    """Makes the calls that a runner delivers, when a test says so; and hears everything."""

    def __init__(self) -> None:
        self.calls: queue.Queue[Callable[[], object]] = queue.Queue()
        self.runner = Runner(self.calls.put)
        self.heard: list[tuple[str, object]] = []
        self.runner.unowned = lambda outcome: self.heard.append(("unowned", outcome))

    def start(self, owner: Owner, case: Case[Any], name: str = "", slot: str = "") -> Any:
        def hear(kind: str) -> Callable[..., None]:
            return lambda *what: self.heard.append((kind + name, what[0] if what else None))

        return owner.start(
            case, hear("done"), hear("failed"), hear("reported"), ended=hear("ended"), slot=slot
        )

    def settle(self) -> None:
        """Until no thread works any more and all calls were made."""
        while self.runner.busy:
            self.calls.get(timeout=SOON_S)()

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.heard]


@pytest.fixture
def window() -> Iterator[Window]:
    made = Window()
    yield made
    made.runner.close()


@dataclass(frozen=True)
class Wait(Case[str]):
    """Works until it is let go, reporting once before and once after."""

    go: threading.Event = field(default_factory=threading.Event)
    working: threading.Event = field(default_factory=threading.Event)
    finished: list[str] = field(default_factory=list)
    error: BaseException | None = None

    def run(self, work: Work) -> str:
        work.report("waiting", 0.5)
        self.working.set()
        assert self.go.wait(SOON_S)
        work.report("going on", 0.9)
        if self.error is not None:
            raise self.error
        self.finished.append("whole")
        return "the answer"


class Deed(Wait):
    deed: ClassVar[bool] = True

    def outcome(self, answer: str) -> Outcome:
        return Outcome(f"It was done: {answer}.")


class Seen(Deed):
    canceling: ClassVar[Canceling] = "finish"


def test_progress_then_the_end_then_one_answer(window: Window):
    case = Wait()
    running = window.start(window.runner.owner(), case)
    case.go.set()
    window.settle()
    assert window.kinds() == ["reported", "reported", "ended", "done"]
    assert window.heard[-1] == ("done", "the answer")
    assert not running.cancel()  # too late


def test_a_canceled_result_is_never_delivered(window: Window):
    case = Wait()
    running = window.start(window.runner.owner(), case)
    assert case.working.wait(SOON_S)
    assert running.cancel()
    assert window.kinds() == ["ended"]  # at once, though its thread still works
    case.go.set()
    window.settle()
    assert window.kinds() == ["ended"]


def test_canceled_after_its_thread_has_ended_it_is_not_delivered_either(window: Window):
    case = Wait()
    running = window.start(window.runner.owner(), case)
    case.go.set()
    while not case.finished:
        window.calls.put(window.calls.get(timeout=SOON_S))  # nothing is delivered yet
    running.cancel()
    window.settle()
    assert "done" not in window.kinds()
    assert window.kinds().count("ended") == 1


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (UsageError("Choose another file."), "Choose another file."),
        (ValueError("a bug"), "went wrong (ValueError)"),
        (MemoryError(), "not enough memory"),
        (SystemExit(2), "went wrong (SystemExit)"),
        (KeyboardInterrupt(), "went wrong (KeyboardInterrupt)"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_an_exception_of_any_kind_is_a_sentence(window: Window, error, words, caplog):
    case = Wait(error=error)
    window.start(window.runner.owner(), case)
    case.go.set()
    window.settle()
    assert window.kinds() == ["reported", "reported", "ended", "failed"]
    assert words in str(window.heard[-1][1])
    caplog.clear()


def test_of_a_slot_only_the_last_case_answers(window: Window):
    owner, first, second = window.runner.owner(), Wait(), Wait()
    window.start(owner, first, " first", slot="list")
    assert first.working.wait(SOON_S)
    window.start(owner, second, " second", slot="list")
    first.go.set()
    second.go.set()
    window.settle()
    assert [kind for kind in window.kinds() if "done" in kind] == ["done second"]


def test_what_only_the_owner_wanted_ends_with_it(window: Window):
    owner, case = window.runner.owner(), Wait()
    window.start(owner, case)
    assert case.working.wait(SOON_S)
    owner.close()
    case.go.set()
    window.settle()
    assert case.finished == []
    assert set(window.kinds()) <= {"reported"}


@pytest.mark.parametrize("error", [None, UsageError("The disk is full.")])
def test_a_deed_goes_on_without_its_owner_and_is_told_with_its_name(window: Window, error):
    owner, case = window.runner.owner("Blue van"), Deed(error=error)
    window.start(owner, case)
    assert case.working.wait(SOON_S)
    owner.close()
    before = len(window.heard)
    case.go.set()
    window.settle()
    expected = (
        Outcome("Blue van: It was done: the answer.")
        if error is None
        else Outcome("Blue van: The disk is full.", well=False)
    )
    assert window.heard[before:] == [("unowned", expected)]


def test_everybody_sees_what_runs(window: Window):
    seen: list[list[str]] = []
    window.runner.changed.append(
        lambda: seen.append([running.said for running in window.runner.running])
    )
    case = Deed()
    window.start(window.runner.owner(), case)
    case.go.set()
    window.settle()
    assert seen == [[""], ["waiting"], ["going on"], []]


def test_closing_waits_for_what_is_seen_through_also_where_it_has_not_begun():
    window = Window()
    owner = window.runner.owner()
    cases = [Seen() for _ in range(4)]  # more than there are threads
    dropped = Wait()
    for case in (*cases, dropped):
        window.start(owner, case)
        case.go.set()
    window.runner.close()
    assert all(case.finished for case in cases)
    heard = len(window.heard)
    while not window.calls.empty():
        window.calls.get()()
    assert len(window.heard) == heard  # afterwards no call is made any more
    late = window.start(owner, Wait())
    assert late.work.cancelled


def test_closing_stops_a_deed_that_would_keep_nothing_with_what_it_has():
    window = Window()

    class Read(Deed):
        def run(self, work: Work) -> str:
            self.working.set()
            while not work.cancelled:
                work.report("reading")
            work.seal()
            self.finished.append("part")
            return ""

    case = Read()
    window.start(window.runner.owner(), case)
    assert case.working.wait(SOON_S)
    window.runner.close()
    assert case.finished == ["part"]
