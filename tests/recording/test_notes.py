"""Notes beside a recording: kept whole, read with suspicion."""

from __future__ import annotations

import contextlib
import json
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.errors import NotesError, StorageError
from logbench.recording.model import Event
from logbench.recording.notes import (
    Remark,
    change_notes,
    new_note,
    notes_path,
    read_notes,
    remarks_of,
)
from logbench.system.limits import NOTES_BYTES


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    path = tmp_path / "drive.parquet"
    path.write_bytes(b"the recording")
    return path


def test_notes_are_kept_beside_the_recording_which_stays_as_it_was(drive: Path):
    assert new_note(9_831 * 86_400 * 10**9, 0, "after a pause of years").end_ns > 2**59
    late, early = new_note(9_000, 5_000, " rattle "), new_note(10, 20, "smells of fuel")
    change_notes(drive, "abc", lambda held: [*held, late])
    change_notes(drive, "abc", lambda held: [*held, early])
    assert drive.read_bytes() == b"the recording"
    assert read_notes(drive, "abc") == (early, late)
    assert (late.start_ns, late.end_ns, late.text) == (5_000, 9_000, "rattle")
    assert sorted(p.name for p in drive.parent.iterdir()) == [
        "drive.parquet", "drive.parquet.notes.json",
    ]  # fmt: skip
    change_notes(drive, "abc", lambda held: [n for n in held if n != early])
    assert read_notes(drive) == (late,)


def test_without_a_file_there_are_no_notes(drive: Path):
    assert read_notes(drive) == ()
    change_notes(drive, "", lambda held: held)
    assert not notes_path(drive).exists()


def test_keys_of_a_newer_minor_version_survive(drive: Path):
    text = {"schema_version": "1.7", "mood": "good",
            "notes": [{"start_ns": 1, "end_ns": 2, "text": "a", "color": "red"}]}  # fmt: skip
    notes_path(drive).write_text(json.dumps(text))
    change_notes(drive, "abc", lambda held: [*held, new_note(3, 4, "b")])
    written = json.loads(notes_path(drive).read_text())
    assert written["mood"] == "good"
    assert written["schema_version"] == "1.7"
    assert written["notes"][0]["color"] == "red"


@settings(deadline=None, derandomize=True)
@given(st.binary(max_size=300) | st.text(max_size=300).map(lambda t: t.encode()))
def test_whatever_the_file_holds_is_notes_or_a_sentence(content: bytes):
    with tempfile.TemporaryDirectory() as folder:
        drive = Path(folder) / "d.parquet"
        notes_path(drive).write_bytes(content)
        with contextlib.suppress(NotesError):
            assert all(isinstance(note, Remark) for note in read_notes(drive))


@pytest.mark.parametrize(
    "content",
    [b"[" * 200_000, b"x" * (NOTES_BYTES + 1),
     b'{"notes": [{"start_ns": 5, "end_ns": 1, "text": "x"}]}',
     b'{"notes": [{"start_ns": -1, "end_ns": 1, "text": "x"}]}', b'{"notes": 3}', b'"\xff"',
     b'{"notes": [{"start_ns": 1e40, "end_ns": 1e40, "text": "x"}]}',
     b'{"schema_version": "one", "notes": []}',
     json.dumps({"notes": [{"start_ns": 1, "end_ns": 2, "text": "y" * 5000}]}).encode()],
)  # fmt: skip
def test_a_damaged_file_is_set_aside_never_lost(drive: Path, content: bytes):
    notes_path(drive).write_bytes(content)
    with pytest.raises(NotesError, match="set aside"):
        read_notes(drive)
    change_notes(drive, "abc", lambda held: [*held, new_note(1, 2, "new")])
    assert [n.text for n in read_notes(drive)] == ["new"]
    aside = [p for p in drive.parent.iterdir() if "unreadable" in p.name]
    assert [p.read_bytes() for p in aside] == [content]


def test_notes_of_another_drive_or_a_newer_program_are_left_alone(drive: Path):
    change_notes(drive, "abc", lambda _: [new_note(1, 2, "mine")])
    before = notes_path(drive).read_bytes()
    with pytest.raises(NotesError, match="another recording"):
        read_notes(drive, "other")
    with pytest.raises(NotesError, match="another recording"):
        change_notes(drive, "other", lambda held: held)
    assert notes_path(drive).read_bytes() == before
    notes_path(drive).write_text('{"schema_version": "2.0"}')
    with pytest.raises(NotesError, match="newer"):
        change_notes(drive, "abc", lambda held: held)
    assert notes_path(drive).read_text() == '{"schema_version": "2.0"}'


@pytest.mark.parametrize("text", ["", "   \n", "x" * 2001])
def test_texts_that_are_no_note(text: str):
    with pytest.raises(NotesError, match="1 to 2000"):
        new_note(0, 1, text)


def test_a_folder_that_is_gone_is_a_sentence(tmp_path: Path):
    with pytest.raises(StorageError):
        change_notes(tmp_path / "gone" / "a.parquet", "", lambda _: [new_note(0, 1, "x")])


def test_too_many_notes_are_refused(drive: Path):
    many = [Remark(start_ns=n, end_ns=n, text="x") for n in range(2001)]
    with pytest.raises(NotesError, match="2000"):
        change_notes(drive, "", lambda _: many)


def test_all_that_is_said_of_a_recording_is_one_list():
    marker = Event(t_ns=5, kind="marker", text="ratle")
    events = [marker, Event(t_ns=2, kind="note", text="asked anew"), Event(t_ns=-1, kind="gap"),
              Event(t_ns=9, kind="marker", text="trim high", source="rule")]  # fmt: skip
    note = new_note(3, 6, "hiss\nat idle")
    mine = Remark(start_ns=5, end_ns=5, text="rattle", kind="marker")
    said = [(r.kind, r.start_ns, r.text, r.recorded) for r in remarks_of(events, [mine, note])]
    assert said == [
        ("gap", 0, "", True),
        ("message", 2, "asked anew", True),
        ("note", 3, "hiss\nat idle", False),
        ("marker", 5, "rattle", False),  # in the place of what was typed while driving
        ("marker by rule", 9, "trim high", True),
    ]
    assert remarks_of(events)[2].text == "ratle"
    assert remarks_of([Event(t_ns=1, kind="x" * 90, text="y" * 9000)])[0].said == "y" * 9000
    assert note.says("IDLE hiss")
    assert not note.says("idle rattle")


def test_a_note_of_an_older_version_is_a_note(drive: Path):
    held = {"notes": [{"start_ns": 1, "end_ns": 2, "text": "a", "made_utc": "2026-01-01"}]}
    notes_path(drive).write_text(json.dumps(held))
    assert [(n.kind, n.text, n.recorded) for n in read_notes(drive)] == [("note", "a", False)]
    change_notes(drive, "abc", lambda held: held)
    assert "recorded" not in notes_path(drive).read_text()
