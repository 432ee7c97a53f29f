"""What is said of a recording: its own events and markers, and the notes beside it.

Notes are kept in a small file beside the recording, for a finished recording never changes.
`drive.parquet` has its notes in `drive.parquet.notes.json`: one JSON document, written whole or
not at all. It names the samples it was made for, so that notes are never shown on another drive.
A note of a marker's time and kind in it corrects that marker's text. Corrections of the recording's
facts stand there, too (`corrections.py`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from pydantic import BaseModel, ConfigDict, Field, model_validator

from logbench.errors import NotesError
from logbench.foreign import ToldName, ToldText, joined, raw
from logbench.recording.even import MOST_T_NS
from logbench.recording.model import Correction, Event, Facts
from logbench.recording.storage import numbered, storage_trouble, write_whole
from logbench.system.limits import NOTE_CHARS, NOTES, NOTES_BYTES
from logbench.system.reading import json_of, read_plain
from logbench.words import word

SCHEMA_VERSION = "1.0"
"""A newer major version is not read, and not written over."""
NOTES_SUFFIX = ".notes.json"
MARKS = ("marker", "marker by rule")
"""Kinds whose text can be corrected."""


class Remark(BaseModel):
    """Something about a stretch of a drive, or an instant where both ends are one; both included,
    on the drive's own clock."""

    model_config = ConfigDict(extra="allow", frozen=True)

    start_ns: int = Field(ge=0, le=MOST_T_NS)
    end_ns: int = Field(ge=0, le=MOST_T_NS)
    text: ToldText = Field(min_length=1, max_length=NOTE_CHARS)
    made_utc: ToldName = ""
    kind: ToldName = "note"
    """`note`, one of `MARKS`, `message` of the program, or the kind of another event."""
    recorded: bool = Field(default=False, exclude=True)
    """It is part of the recording."""

    @model_validator(mode="after")
    def _in_order(self) -> Remark:
        if self.end_ns < self.start_ns:
            raise ValueError("end_ns lies before start_ns")
        return self

    @property
    def said(self) -> str:
        """Its text; without any, what it is."""
        return self.text or word(self.kind)

    def says(self, words: str) -> bool:
        """Whether all of these words are in its text or its kind."""
        whole = raw(joined(" ", self.kind, word(self.kind), self.text).lower())
        return all(each in whole for each in words.lower().split())


class Beside(BaseModel):
    """What stands in the file beside a recording."""

    model_config = ConfigDict(extra="allow")

    schema_version: str = Field(default=SCHEMA_VERSION, pattern=r"^\d{1,4}\.\d{1,4}$")
    samples_sha256: str = Field(default="", max_length=100)
    notes: list[Remark] = Field(default_factory=list, max_length=NOTES)
    corrections: list[Correction] = Field(default_factory=list, max_length=NOTES)

    def is_of(self, samples_sha256: str) -> bool:
        """Whether it was made for these samples, as far as both are known."""
        return "" in (self.samples_sha256, samples_sha256) or self.samples_sha256 == samples_sha256


def remarks_of(events: Iterable[Event], notes: Sequence[Remark] = ()) -> tuple[Remark, ...]:
    """Everything that is said of a recording, in order of time: its events, and the notes beside
    it."""
    corrected = {(note.kind, note.start_ns) for note in notes if note.kind in MARKS}
    recorded = [_of_event(event) for event in events]
    left = [r for r in recorded if (r.kind, r.start_ns) not in corrected]
    return tuple(sorted([*left, *notes], key=_place))


def _of_event(event: Event) -> Remark:
    """Not validated: whatever a file holds is shown."""
    kind = "message" if event.kind == "note" else event.kind
    kind = MARKS[1] if (kind, event.source) == (MARKS[0], "rule") else kind
    t_ns = max(0, event.t_ns)
    return Remark.model_construct(
        start_ns=t_ns, end_ns=t_ns, text=event.text, kind=kind, recorded=True
    )


def _place(remark: Remark) -> tuple[int, int]:
    return remark.start_ns, remark.end_ns


def new_note(start_ns: int, end_ns: int, text: str) -> Remark:
    """A note made now on a span, its ends in either order. Raises `NotesError` for a text that is
    empty or too long."""
    text = checked_text(text)
    low, high = sorted((max(0, start_ns), max(0, end_ns)))
    made = datetime.now(UTC).isoformat(timespec="seconds")
    return Remark(start_ns=low, end_ns=high, text=text, made_utc=made)


def checked_text(text: str) -> str:
    """The text of a note as it is kept. Raises `NotesError` as `new_note`."""
    text = text.strip()
    if not 1 <= len(text) <= NOTE_CHARS:
        raise NotesError(f"A note has 1 to {NOTE_CHARS} characters; this one has {len(text)}.")
    return text


def notes_path(recording: Path) -> Path:
    """The file beside a recording that holds its notes."""
    return recording.with_name(f"{recording.name}{NOTES_SUFFIX}")


def read_notes(recording: Path, samples_sha256: str = "") -> tuple[Remark, ...]:
    """The notes of a recording in order of time; none without the file.

    Raises `NotesError` when the file cannot be used, or was made for other samples than
    `samples_sha256` (`Facts.samples_sha256`; empty: not compared).
    """
    return tuple(sorted(read_beside(recording, samples_sha256).notes, key=_place))


def read_beside(recording: Path, samples_sha256: str = "") -> Beside:
    """All that stands beside a recording. Raises `NotesError` as `read_notes`."""
    path = notes_path(recording)
    document = _read(path)
    if not document.is_of(samples_sha256):
        raise NotesError(
            f"The notes in {path.name} were made for another recording; move that file away to "
            "begin notes for this one."
        )
    return document


class _Held(Protocol):
    """A recording that is open."""

    facts: Facts
    path: Path | None


def read_remarks(recording: _Held) -> tuple[tuple[Remark, ...], str]:
    """Everything that is said of a recording that is open; and why the notes beside it are not
    among it, `` where they are."""
    facts, path = recording.facts, recording.path
    try:
        notes = () if path is None else read_notes(path, facts.samples_sha256)
    except NotesError as error:
        return remarks_of(facts.events), str(error)
    return remarks_of(facts.events, notes), ""


def note_cells(t_s: Sequence[float], remarks: Iterable[Remark]) -> list[str]:
    """A text for each row of a table over time: the remarks that begin to hold there, with the
    times of their ends. Spreadsheets take a text that begins like a formula for one, so it is set
    in quotation marks."""
    cells = [""] * len(t_s)
    for remark in remarks:
        place = bisect_left(t_s, remark.start_ns / 1e9)
        if place < len(t_s):
            text = " ".join(remark.said.split())
            text = f'"{text}"' if text[:1] in tuple("=+-@") else text
            begins, ends = f"{remark.start_ns / 1e9:.1f}", f"{remark.end_ns / 1e9:.1f} s"
            span = ends if remark.start_ns == remark.end_ns else f"{begins} to {ends}"
            cells[place] = "; ".join(filter(None, (cells[place], f"{text} ({span})")))
    return cells


Keep = Callable[[Path, bytes], object]
"""Writes a file of notes whole, as `write_whole`."""


def change_notes(
    recording: Path,
    samples_sha256: str,
    change: Callable[[Sequence[Remark]], Sequence[Remark]],
    keep: Keep = write_whole,
) -> tuple[Remark, ...]:
    """Read the notes, change them, write them whole by `keep`; what is there now.

    A file that cannot be read is set aside under another name, never lost. Raises `NotesError`
    when the notes belong to another recording or a newer version, or are too many;
    `StorageError`.
    """

    def changed(document: Beside) -> None:
        fresh = sorted(change(tuple(sorted(document.notes, key=_place))), key=_place)
        if len(fresh) > NOTES:
            raise NotesError(f"A recording has room for {NOTES} notes: remove some first.")
        document.notes = fresh

    return tuple(change_beside(recording, samples_sha256, changed, keep).notes)


def change_beside(
    recording: Path,
    samples_sha256: str,
    change: Callable[[Beside], None],
    keep: Keep = write_whole,
) -> Beside:
    """The same of all that stands beside a recording."""
    path = notes_path(recording)
    try:
        document = read_beside(recording, samples_sha256)
    except _UnreadableError:
        _set_aside(path)
        document = Beside()
    change(document)
    document.samples_sha256 = samples_sha256 or document.samples_sha256
    if document.notes or document.corrections or path.exists():
        keep(path, document.model_dump_json(indent=1).encode())
    return document


def notes_data(recording: Path) -> bytes | None:
    """The file of a recording's notes as it is; None where there is none, or none so short as
    notes are. Raises `StorageError`."""
    path = notes_path(recording)
    with storage_trouble(path):
        try:
            return read_plain(path, NOTES_BYTES) if path.is_file() else None
        except ValueError:
            return None


def carry_notes(source: Path, copy: Path) -> bool:
    """Bring the notes of a recording beside a copy of it, whose own notes stay; whether there were
    any. Raises `StorageError`; `NotesError` where both have notes and one file cannot be used."""
    data = notes_data(source)
    if data is None or notes_path(source).resolve() == notes_path(copy).resolve():
        return False
    if not notes_path(copy).exists():
        write_whole(notes_path(copy), data)
        return True
    more = _read(notes_path(source))

    def joined_to(held: Beside) -> None:
        held.notes += [note for note in more.notes if note not in held.notes]
        held.corrections += [one for one in more.corrections if one not in held.corrections]

    change_beside(copy, more.samples_sha256, joined_to)
    return True


class _UnreadableError(NotesError):
    """The file is damaged, not merely another recording's or too new."""


def _read(path: Path) -> Beside:
    try:
        data = read_plain(path, NOTES_BYTES)
    except FileNotFoundError:
        return Beside()
    except ValueError as error:
        raise _not_understood(path.name) from error
    except OSError as error:
        raise NotesError(
            f"The notes in {path} cannot be read ({error.strerror or error}): check the file."
        ) from error
    return beside_in(data, path.name)


def beside_in(data: bytes, name: str) -> Beside:
    """What stands in a file that was read as bytes. Raises `NotesError`."""
    try:
        if len(data) > NOTES_BYTES:
            raise ValueError("too large")
        document = Beside.model_validate(json_of(data))
    except ValueError as error:  # pydantic's are ValueErrors
        raise _not_understood(name) from error
    if _major(document.schema_version) > _major(SCHEMA_VERSION):
        raise NotesError(
            f"The notes in {name} were written by a newer logbench: install it to read them."
        )
    return document


def _not_understood(name: str) -> _UnreadableError:
    return _UnreadableError(
        f"The notes in {name} cannot be understood; they are left as they are, and set "
        "aside under another name when you write a new one."
    )


def _major(version: str) -> int:
    return int(version.partition(".")[0])


def _set_aside(path: Path) -> None:
    aside = next(p for p in numbered(path.with_name(f"{path.name}.unreadable")) if not p.exists())
    with storage_trouble(path):
        path.rename(aside)
