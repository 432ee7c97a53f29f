"""What enters a job's ledger when the job, or a file of notes beside a recording, is written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from logbench.errors import JobDamagedError, LogbenchError
from logbench.foreign import raw
from logbench.job.ledger import Ledger
from logbench.job.model import Job, LedgerMark, Photo, ReadingEntry, RecordingEntry, now_utc
from logbench.job.names import place_inside
from logbench.job.pieces import BESIDE, Change, Piece, changes_between, pieces_of, sha256_of
from logbench.recording.notes import notes_path
from logbench.recording.storage import file_sha256


def entries_for(
    ledger: Ledger, job: Job, old: Job | None, as_read: Callable[[], Job]
) -> list[bytes]:
    """The lines for what differs between a job and what is on disk (None: nothing is); the job's
    mark of its ledger is renewed, and of each file is said what it is, where nothing is said yet.

    A job that has no ledger enters as it is found. `as_read`: the job as it will be read again.
    Raises StorageError.
    """
    _hash_files(ledger.folder, job, old)
    mark = LedgerMark() if old is None else old.ledger.model_copy()
    count = ledger.count
    begun = not mark.begun_utc and not count
    new = as_read()
    changes = changes_between([] if old is None or begun else pieces_of(old), pieces_of(new))
    come = [change.new for change in changes if change.old is None and change.new is not None]
    changes += _beside(ledger.folder, come)
    lines = ledger.signed(changes, begun=begun or not count, job_id=raw(job.job_id))
    if lines:
        mark.begun_utc = mark.begun_utc or now_utc()
        mark.entries = max(mark.entries, count) + len(lines)
    job.ledger = mark
    return lines


def beside_entries(ledger: Ledger, job: Job, path: Path, data: bytes) -> list[bytes]:
    """The line for what is about to stand in the file of notes beside a recording; none where it is
    none of the job's recordings, or the job has no ledger yet. Raises StorageError."""
    recording = _recording_beside(ledger.folder, job, path)
    if recording is None or not job.ledger.begun_utc:
        return []
    of = raw(recording.sha256)
    old = _sha256(path) if path.exists() else ""
    former = Piece(BESIDE, old, of=of) if old else None
    change = Change(BESIDE, Piece(BESIDE, sha256_of(data), of=of), former)
    return ledger.signed([change], begun=False, job_id=raw(job.job_id))


def _with_files(job: Job) -> Iterator[RecordingEntry | ReadingEntry | Photo]:
    yield from job.recordings
    yield from job.readings
    yield from job.photos
    yield from job.files


def _hash_files(folder: Path, job: Job, old: Job | None) -> None:
    """Say of each file what it was when it came into the job."""
    known = {} if old is None else {raw(e.file): e.sha256 for e in _with_files(old)}
    for entry in _with_files(job):
        if not entry.sha256:
            entry.sha256 = known.get(raw(entry.file)) or _inside(folder, entry.file)


def _inside(folder: Path, file: str) -> str:
    """SHA-256 of a file of the job; `` where it leads out."""
    try:
        return _sha256(place_inside(folder, file))
    except JobDamagedError:
        return ""


def _sha256(path: Path) -> str:
    """`` for a file that cannot be read."""
    try:
        return file_sha256(path)
    except LogbenchError:
        return ""


def _beside(folder: Path, come: Iterable[Piece]) -> Iterator[Change]:
    """What stands beside recordings that come into the job."""
    for piece in come:
        if piece.kind == "recording":
            notes = notes_path(Path(piece.file)).as_posix()
            digest = _inside(folder, notes)
            if digest:
                yield Change(BESIDE, Piece(BESIDE, digest, of=piece.sha256, file=notes), None)


def _recording_beside(folder: Path, job: Job, path: Path) -> RecordingEntry | None:
    """The recording that the notes in that file are of."""
    for entry in job.recordings:
        with suppress(JobDamagedError):
            if notes_path(place_inside(folder, entry.file)) == path.resolve():
                return entry
    return None
