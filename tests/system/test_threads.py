"""A thread of the program: its end, its death, who hears of it."""

from __future__ import annotations

import logging
import threading

import pytest

from logbench.errors import StorageError, WorkerDiedError, error_named
from logbench.system.threads import Supervised


def test_a_thread_that_returns_has_ended_and_not_died():
    deaths: list[BaseException] = []
    done = threading.Event()
    worker = Supervised("worker", done.set, on_death=deaths.append).start()
    assert worker.join(5)
    assert done.is_set()
    assert not worker.alive
    assert worker.error is None
    assert deaths == []
    worker.check()


def test_stop_sets_the_event_and_wakes_the_work():
    awake = threading.Event()
    sleeping = Supervised("sleeper", lambda: awake.wait(30), on_stop=awake.set).start()
    assert sleeping.alive
    assert not sleeping.join(0.01)
    sleeping.stop()
    sleeping.stop()
    assert sleeping.join(5)
    waiting = Supervised("waits for stopping", lambda: waiting.stopping.wait(30))
    with waiting:
        assert waiting.alive
    assert not waiting.alive


@pytest.mark.worker_dies
@pytest.mark.parametrize("cause", [ValueError("out of range"), KeyboardInterrupt(), SystemExit(3)])
def test_a_death_is_logged_kept_and_reported_once_from_the_dying_thread(
    cause: BaseException, caplog: pytest.LogCaptureFixture
):
    seen: list[tuple[BaseException, str, bool]] = []

    def run() -> None:
        raise cause

    worker = Supervised(
        "journal",
        run,
        on_death=lambda e: seen.append((e, threading.current_thread().name, worker.alive)),
    )
    worker.start()
    assert worker.join(5)
    assert seen == [(cause, "journal", False)]
    assert worker.error is cause
    for _ in range(2):
        with pytest.raises(WorkerDiedError, match=f"journal.*{type(cause).__name__}") as caught:
            worker.check()
        assert caught.value.__cause__ is cause
    (record,) = [r for r in caplog.records if r.name == "logbench.system.threads"]
    assert record.levelno == logging.ERROR
    assert record.exc_info is not None
    assert record.exc_info[1] is cause


@pytest.mark.worker_dies
def test_what_the_world_did_is_raised_as_it_is():
    full = StorageError("The disk is full: free some space.")

    def run() -> None:
        raise full

    worker = Supervised("journal", run).start()
    worker.join(5)
    with pytest.raises(StorageError, match="disk is full"):
        worker.check()


@pytest.mark.worker_dies
def test_a_report_that_fails_or_joins_does_not_hide_the_death(caplog: pytest.LogCaptureFixture):
    def run() -> None:
        raise ValueError("first")

    def report(_: BaseException) -> None:
        assert not worker.join()  # its own thread: nothing to wait for
        raise RuntimeError("second")

    worker = Supervised("worker", run, on_death=report)
    worker.start()
    assert worker.join(5)
    assert isinstance(worker.error, ValueError)
    messages = [r.getMessage() for r in caplog.records]
    assert messages == [
        "the thread 'worker' died",
        "reporting the death of the thread 'worker' failed",
    ]


def test_before_its_start_a_thread_neither_lives_nor_blocks():
    worker = Supervised("worker", lambda: None)
    assert not worker.alive
    assert worker.join()
    worker.check()


def test_an_error_comes_back_from_another_process_by_its_name():
    died = WorkerDiedError.of("outbox", ValueError("x"))
    again = error_named(type(died).__name__, str(died))
    assert isinstance(again, WorkerDiedError)
    assert str(again) == str(died)
    assert type(error_named("OSError", "text")).__name__ == "LogbenchError"
    assert type(error_named("annotations", "text")).__name__ == "LogbenchError"
