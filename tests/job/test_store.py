"""Jobs that are held: edits of the window and results of other threads never cost each other."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from logbench.analysis.causes.hand_tests import Done
from logbench.errors import JobError, JobMissingError, StorageError
from logbench.job.folder import JobFolder, create_job, open_job
from logbench.job.model import Job, JobEvent, JobTest, Note
from logbench.job.store import HeldJob, JobStore, bring_over
from logbench.system.limits import JOB_ENTRIES


def cleared(job: Job) -> None:
    job.events = [*job.events, JobEvent(kind="codes cleared", text="done")]


def made(tmp_path: Path) -> Path:
    return create_job(tmp_path, "Blue van")[0].path


def texts(path: Path) -> list[str]:
    return [event.text for event in open_job(path)[1].events]


def theirs(path: Path, concern: str = "theirs") -> None:
    folder, job = open_job(path)
    job.concern = concern
    folder.save(job)


def test_all_who_hold_a_job_have_the_same(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)
    first = store.hold(path)
    assert store.hold(path / "job.toml") is first
    first.edit(lambda job: setattr(job, "concern", "typed"))
    store.release(first)
    assert open_job(path)[1].concern == "typed"
    assert store.hold(path) is first  # still held by the second
    for _ in range(2):
        store.release(first)
    assert store.hold(path) is not first


def test_what_is_committed_is_in_the_file_at_once(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)
    store.commit(path, cleared)  # nobody holds it
    assert texts(path) == ["done"]
    held = store.hold(path)
    told: list[bool] = []
    held.committed = lambda: told.append(held.dirty)
    held.edit(lambda job: setattr(job, "concern", "half typed"))
    store.commit(path, cleared)
    assert texts(path) == ["done", "done"]
    assert open_job(path)[1].concern == "half typed"
    assert told == [False]


def test_a_job_that_is_gone_is_an_error(tmp_path: Path):
    with pytest.raises(JobError):
        JobStore().commit(tmp_path / "none", cleared)


def test_on_top_of_what_another_program_saves_meanwhile(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)

    def change(job: Job) -> None:
        cleared(job)

    theirs(path)
    store.commit(path, change)
    assert (texts(path), open_job(path)[1].concern) == (["done"], "theirs")
    assert not list(path.glob("job.mine-*"))


def test_in_a_conflict_the_file_gets_it_and_keeps_what_others_saved(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)
    held = store.hold(path)
    held.edit(lambda job: setattr(job, "concern", "mine"))
    theirs(path)
    store.commit(path, cleared)
    assert held.conflict
    assert (texts(path), open_job(path)[1].concern) == (["done"], "theirs")
    store.commit(path, cleared)  # also while the conflict lasts
    assert texts(path) == ["done", "done"]
    held.reload()
    assert (held.job.concern, len(held.job.events), held.dirty) == ("theirs", 2, False)
    store.release(held)
    assert texts(path) == ["done", "done"]


def test_what_could_not_be_saved_is_owed_to_whatever_is_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    store, path = JobStore(), made(tmp_path)
    held = store.hold(path)

    def full(*_: object) -> None:
        raise StorageError("The disk is full.")

    with monkeypatch.context() as broken:
        broken.setattr(JobFolder, "save", full)
        broken.setattr(JobFolder, "amend", full)
        store.commit(path, cleared)
        assert held.problem == "The disk is full."
        assert held.dirty
    assert texts(path) == []
    theirs(path)
    held.reload()
    assert (held.job.concern, [event.text for event in held.job.events]) == ("theirs", ["done"])
    store.release(held)
    assert texts(path) == ["done"]


def test_others_changes_are_followed_unless_something_waits_to_be_saved(tmp_path: Path):
    path = made(tmp_path)
    held = HeldJob(*open_job(path))
    assert not held.follow()
    theirs(path)
    held.edit(lambda job: setattr(job, "technician", "R"))
    assert not held.follow()
    assert held.job.concern == ""
    held.reload()
    assert held.job.concern == "theirs"
    (path / "job.toml").unlink()
    with pytest.raises(JobMissingError):
        held.follow()


def test_a_list_that_would_be_too_long_changes_nothing(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)
    held = store.hold(path)
    many = [JobEvent(kind="seen", text=str(n)) for n in range(JOB_ENTRIES)]
    held.edit(lambda job: setattr(job, "events", many))
    scratch = Job(events=[JobEvent(kind="codes cleared", text="one too many")])
    with pytest.raises(JobError, match=f"{JOB_ENTRIES} entries at most"):
        store.commit(path, lambda job: bring_over(job, scratch))
    assert len(held.job.events) == JOB_ENTRIES
    assert held.flush()


def test_edits_and_commits_of_several_threads_are_all_kept(tmp_path: Path):
    store, path = JobStore(), made(tmp_path)
    held = store.hold(path)
    threads, each = 4, 15
    start = threading.Barrier(threads + 1)

    def work(number: int) -> None:
        start.wait()
        for n in range(each):
            event = JobEvent(kind="seen", text=f"{number}-{n}")
            store.commit(path, lambda job, e=event: setattr(job, "events", [*job.events, e]))

    workers = [threading.Thread(target=work, args=(n,)) for n in range(threads)]
    for worker in workers:
        worker.start()
    start.wait()
    for n in range(each):  # the window's thread
        held.edit(lambda job, n=n: setattr(job, "notes", [*job.notes, Note(text=str(n))]))
        held.tick()
    for worker in workers:
        worker.join()
    store.release(held)
    job = open_job(path)[1]
    assert sorted(e.text for e in job.events) == sorted(
        f"{number}-{n}" for number in range(threads) for n in range(each)
    )
    assert [note.text for note in job.notes] == [str(n) for n in range(each)]


# --- undo ---


def typed(held: HeldJob, text: str) -> None:
    held.edit(lambda job: setattr(job, "concern", text), "Concern", typed=True)


def test_what_was_typed_and_removed_is_undone_and_done_again(tmp_path: Path):
    now = [100.0]
    held = HeldJob(*open_job(made(tmp_path)), clock=lambda: now[0])
    assert held.undo() == "There is nothing to undo."
    assert held.undo(redo=True) == "There is nothing to redo."
    held.edit(lambda job: job.work.append(Note(text="Hose renewed")), "Add")
    for text in ("S", "Sh", "Sha"):  # one step, as it was typed in one go
        typed(held, text)
    now[0] += 60
    typed(held, "Shakes")
    held.edit(lambda job: setattr(job, "work", []), "Remove")
    held.flush()
    undone = [held.undo() for _ in range(3)]
    assert undone == ["Undone: remove.", "Undone: concern.", "Undone: concern."]
    assert held.dirty  # the file has the erased text no longer than this
    assert ([note.text for note in held.job.work], held.job.concern) == (["Hose renewed"], "")
    again = [held.undo(redo=True) for _ in range(4)]
    assert again[:3] == ["Redone: concern.", "Redone: concern.", "Redone: remove."]
    assert (held.job.work, held.job.concern) == ([], "Shakes")


def test_undo_keeps_what_was_done_to_the_car_meanwhile(tmp_path: Path):
    path = made(tmp_path)
    held = HeldJob(*open_job(path))
    typed(held, "Shakes")
    held.commit(cleared)
    held.edit(lambda job: setattr(job.events[0], "text", "by hand"), "Event")
    assert [held.undo(), held.undo()] == ["Undone: event.", "Undone: concern."]
    assert (held.job.concern, [e.text for e in held.job.events]) == ("", ["done"])
    held.flush()
    assert texts(path) == ["done"]
    for _ in range(2):
        held.undo(redo=True)
    assert [e.text for e in held.job.events] == ["by hand"]


def test_what_somebody_else_saved_is_not_undone(tmp_path: Path):
    path = made(tmp_path)
    held = HeldJob(*open_job(path))
    typed(held, "mine")
    held.flush()
    theirs(path)
    assert held.follow()
    assert held.undo() == "There is nothing to undo."
    assert held.job.concern == "theirs"


def test_where_a_list_as_it_was_has_no_room_nothing_is_undone(tmp_path: Path):
    held = HeldJob(*open_job(made(tmp_path)))
    full = [JobEvent(kind="x") for _ in range(JOB_ENTRIES)]
    held.edit(lambda job: setattr(job, "events", full), "Fill")
    held.edit(lambda job: setattr(job, "events", []), "Empty")
    held.commit(lambda job: bring_over(job, Job(events=[JobEvent(kind="cleared")])))
    assert held.undo() == "There is nothing to undo."
    assert [e.kind for e in held.job.events] == ["cleared"]


def test_an_outcome_of_a_hand_test_is_dated_undone_and_stays_in_the_file(tmp_path: Path):
    path = made(tmp_path)
    held = JobStore().hold(path)
    held.edit(lambda job: job.tests.append(JobTest(test="smoke_test", outcome="leak")), "Enter")
    held.flush()
    (kept,) = open_job(path)[1].tests
    assert kept.done == Done("smoke_test", "leak")
    assert kept.at_utc
    assert held.undo()
    assert held.job.tests == []
