"""A case under way: its three ways of being canceled, and what is seen through."""

from __future__ import annotations

import pytest

from logbench.cases.work import Canceling, CancelledError, Case, Work, run_here
from logbench.errors import UsageError


def test_one_that_keeps_nothing_ends_at_its_next_report():
    heard: list[tuple[str, float]] = []
    work = Work(lambda text, share: heard.append((text, share)), "drop")
    work.report("first", 0.25)
    assert work.cancel()
    assert work.cancelled
    assert work.dropped
    with pytest.raises(CancelledError):
        work.report("second", 0.5)
    assert heard == [("first", 0.25)]


@pytest.mark.parametrize("canceling", ["keep", "finish"])
def test_one_that_has_an_answer_reports_on(canceling: Canceling):
    heard: list[str] = []
    work = Work(lambda text, share: heard.append(text), canceling)
    assert work.cancel() is (canceling == "keep")
    assert not work.dropped
    work.report("goes on")
    work.seal()
    assert heard == ["goes on"]


def test_once_it_changes_something_it_is_too_late():
    work = Work()
    work.seal()
    assert not work.cancel()
    assert not work.cancelled
    work.report("seen through")


def test_canceled_before_nothing_is_changed():
    work = Work()
    work.cancel()
    with pytest.raises(CancelledError):
        work.seal()


def test_where_the_program_ends_what_there_is_is_kept():
    work = Work(canceling="drop")
    work.stop()
    assert work.cancelled
    assert not work.dropped
    work.seal()  # what it has may be written


def test_a_case_runs_on_this_thread_and_its_errors_come_through():
    class Refuse(Case[int]):
        def run(self, work: Work) -> int:
            work.report("refusing", 1.0)
            raise UsageError("no such thing")

    heard: list[str] = []
    with pytest.raises(UsageError, match="no such thing"):
        run_here(Refuse(), lambda text, share: heard.append(text))
    assert heard == ["refusing"]
    assert Refuse().outcome(1).sentence == ""
