"""Wherever a recording is copied, the notes beside it go with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.archive.find import Filter, paths_of
from logbench.errors import NotesError
from logbench.job.folder import create_job
from logbench.recording.notes import (
    carry_notes,
    change_notes,
    new_note,
    notes_path,
    read_notes,
)
from logbench.recording.reader import open_recording
from tests.archive.conftest import make

RATTLE, SMELL = new_note(1_000, 2_000, "rattle"), new_note(5, 6, "smells of fuel")


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    path = make(tmp_path / "new.parquet", trim=3.0, started="2026-06-01T10:00:00+00:00")
    sha = open_recording(path).facts.samples_sha256
    change_notes(path, sha, lambda held: [*held, RATTLE])
    return path


def test_into_an_archive(opened, root, drive: Path):
    archive = opened()
    where, new = archive.add(drive)
    assert new
    assert read_notes(root / where, open_recording(drive).facts.samples_sha256) == (RATTLE,)
    assert archive.find().num_rows == 6


def test_into_an_archive_that_has_the_recording_with_notes_of_its_own(opened, root, drive: Path):
    archive = opened()
    where, _ = archive.add(drive)
    sha = open_recording(drive).facts.samples_sha256
    change_notes(drive, sha, lambda held: [SMELL, *held])
    change_notes(root / where, sha, lambda held: [new_note(7, 8, "only there"), *held])
    assert archive.add(drive) == (where, False)
    texts = [note.text for note in read_notes(root / where)]
    assert texts == ["smells of fuel", "only there", "rattle"]
    assert archive.add(root / where) == (where, False)  # itself: nothing happens
    assert [note.text for note in read_notes(root / where)] == texts


def test_into_quarantine(opened, root):
    path = root / "van/b.parquet"
    change_notes(path, "", lambda held: [RATTLE])
    path.write_bytes(path.read_bytes()[:5000])
    assert [c.moved_to for c in opened().check(quarantine=True) if c.moved_to]
    assert read_notes(root / "quarantine/van/b.parquet") == (RATTLE,)
    assert not notes_path(path).exists()


def test_into_an_object_store_and_back(root, drive: Path, tmp_path: Path):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.pipe("/carried/van/a.parquet", (root / "van/a.parquet").read_bytes())
    try:
        archive = Archive("memory://carried", tmp_path / "c")
        where, new = archive.add(drive)
        assert new
        fetched = Archive("memory://carried", tmp_path / "c").local_copy(where)
        assert fetched != drive
        assert read_notes(fetched) == (RATTLE,)
        plain = archive.local_copy("van/a")
        assert not notes_path(plain).exists()
    finally:
        memory.rm("/carried", recursive=True)


def test_into_a_job(drive: Path, tmp_path: Path):
    folder, job = create_job(tmp_path, "car")
    first = folder.add_recording(job, drive, "before")
    second = folder.add_recording(job, drive, "after")
    for entry in (first, second):
        assert read_notes(folder.place(entry.file)) == (RATTLE,)
    again = folder.add_recording(job, folder.place(first.file), "other")  # it is there already
    assert again.file == first.file
    assert len(list((folder.path / "recordings").iterdir())) == 4


def test_notes_that_cannot_be_read_are_carried_as_they_are(drive: Path, tmp_path: Path):
    copy = tmp_path / "copy.parquet"
    notes_path(drive).write_bytes(b"{broken")
    assert carry_notes(drive, copy)
    assert notes_path(copy).read_bytes() == b"{broken"
    change_notes(tmp_path / "other.parquet", "", lambda held: [SMELL])
    with pytest.raises(NotesError, match="cannot be understood"):
        carry_notes(drive, tmp_path / "other.parquet")
    assert read_notes(tmp_path / "other.parquet") == (SMELL,)


def test_notes_of_another_recording_are_not_mixed_in(drive: Path, tmp_path: Path):
    change_notes(tmp_path / "other.parquet", "0" * 64, lambda held: [SMELL])
    with pytest.raises(NotesError, match="another recording"):
        carry_notes(drive, tmp_path / "other.parquet")
    assert not carry_notes(tmp_path / "none.parquet", drive)
    assert read_notes(drive) == (RATTLE,)


def test_the_words_beside_a_recording_are_found(opened, root: Path):
    archive = opened()
    name = "van/b.parquet"
    path = root / name

    def found(**what: str) -> list[str]:
        archive.refresh()
        return paths_of(archive.find(Filter(**what)))

    assert found(text=RATTLE.text) == []
    change_notes(path, "", lambda held: [RATTLE])
    assert found(text=RATTLE.text.upper()) == [name]
    assert found(words="van rattle") == [name]
    assert archive.refresh().fresh == 0  # nothing is read again for it
    row = archive.rows("SELECT notes FROM recordings WHERE notes <> ''")
    assert row == [{"notes": RATTLE.text}]
    change_notes(path, "", lambda held: [SMELL])
    assert found(text=RATTLE.text) == []
    assert found(text=SMELL.text) == [name]
    notes_path(path).write_bytes(b"{")
    assert found(text="cannot be understood") == [name]
    notes_path(path).unlink()
    assert found(text="cannot be understood") == []
