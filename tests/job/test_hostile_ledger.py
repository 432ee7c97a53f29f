"""Ledgers that nobody wrote: sentences, and the job goes on."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from logbench.job.folder import JobFolder
from logbench.job.ledger import LEDGER_FILE
from logbench.job.model import Note
from logbench.job.pieces import pieces_of
from logbench.job.seal import seal_of
from logbench.job.store import JobStore
from tests.job.sealed import changed, lines, write


def test_hostile_ledgers_are_sentences(job: JobFolder):
    for data in (b"\0" * 1000, b"[" * 100_000, b"{}\n" * 3, b'{"entry":{},"signature":1}\n',
                 b"\xff\xfe\n", b'{"entry":null,"signature":null}'):  # fmt: skip
        (job.path / LEDGER_FILE).write_bytes(data)
        changed(job, "is not an entry")


def test_names_and_numbers_cannot_be_found_by_trying(job: JobFolder):
    """Each text holds the job's own random number; no text, name or file stands in the ledger."""
    text = (job.path / LEDGER_FILE).read_text("utf-8")
    for word in ("Ada", "ZZ9TEST", "hose", "parquet", job.load().job_id):
        assert word not in text
    same = job.load()
    same.job_id = "another"
    keys = [{piece.key for piece in pieces_of(one)} for one in (job.load(), same)]
    assert not keys[0] & keys[1]


LONG = {
    "a million lines": (b"{}\n" * 1_000_000, "more than 200000 lines"),
    "100,000 lines": (b"{}\n" * 100_000, "more lines of the ledger were not looked at"),
    "empty lines": (b"\n" * 3_000_000, "more than 200000 lines"),
    "one line of 100 MB": (b"x" * 100_000_000, "longer than 50 MB"),
    "one line of 40 MB": (b"[" * 40_000_000, "is not an entry"),
}


@pytest.mark.parametrize("what", LONG)
def test_a_ledger_that_is_too_long_is_a_sentence_and_locks_nothing(job: JobFolder, what: str):
    data, named = LONG[what]
    (job.path / LEDGER_FILE).write_bytes(data)
    seal = changed(job, named)
    assert len(seal.problems) <= 1010
    assert job.ledger.head(1 << 20) == ""
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="goes on")))
    assert job.load().notes[-1].text == "goes on"


@pytest.mark.skipif(os.name != "posix", reason="no such files there")
def test_a_ledger_that_is_no_file_is_a_sentence_and_locks_nothing(job: JobFolder):
    path = job.path / LEDGER_FILE
    for make in (lambda: path.symlink_to("/dev/zero"), lambda: os.mkfifo(path), path.mkdir):
        path.unlink()
        make()
        changed(job, "it is not a plain file")
        JobStore().commit(job.path, lambda held: held.notes.append(Note(text="goes on")))
        if path.is_dir():
            path.rmdir()
            path.touch()


def test_names_that_stand_twice_and_numbers_that_are_none_make_no_entry(job: JobFolder):
    kept = lines(job)
    entry = kept[-1]
    for bad in (
        entry.replace(b'"kind":', b'"kind":"note","kind":', 1),
        re.sub(rb'"number":\d+', b'"number":NaN', entry),
        re.sub(rb'"up_ms":\d+', b'"up_ms":1e3', entry),
        re.sub(rb'"number":(\d+)', rb'"number":true', entry),
        entry + b" ",
        entry.replace(b"{", b"\xef\xbb\xbf{", 1),
    ):
        write(job, [*kept[:-1], bad])
        changed(job, f"Line {len(kept)} of the ledger is not an entry")


def test_two_processes_write_at_the_same_time(job: JobFolder):
    script = (
        "import sys; from pathlib import Path; from logbench.job.store import JobStore; "
        "from logbench.job.model import Note\n"
        "for n in range(15): JobStore().commit(Path(sys.argv[1]), lambda job: "
        "job.notes.append(Note(text=f'{sys.argv[2]} {n}')))"
    )
    count = seal_of(job).entries
    started = [
        subprocess.Popen([sys.executable, "-c", script, str(job.path), name]) for name in "ab"
    ]
    assert [process.wait(120) for process in started] == [0, 0]
    seal = seal_of(job)
    assert (seal.state, seal.entries) == ("sealed", count + 30)
    texts = {note.text for note in job.load().notes}
    assert {f"{name} {n}" for name in "ab" for n in range(15)} <= texts
