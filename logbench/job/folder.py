"""The job's folder: reading and writing `job.toml`, taking in recordings, readings and photos.

Every write is whole or not at all, and only over what was read: a file that somebody else changed
in the meantime is never overwritten.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import tomlkit
from filelock import FileLock, Timeout
from pydantic import ValidationError

from logbench.errors import (
    JobBusyError,
    JobConflictError,
    JobDamagedError,
    JobMissingError,
    JobTooNewError,
    StorageError,
)
from logbench.foreign import raw
from logbench.job.entering import beside_entries, entries_for
from logbench.job.ledger import Entry, Ledger
from logbench.job.model import (
    SCHEMA_VERSION,
    Job,
    Photo,
    ReadingEntry,
    RecordingEntry,
    Role,
    now_utc,
)
from logbench.job.names import free_name, place_inside, safe_name
from logbench.job.pieces import REPORT
from logbench.recording.notes import carry_notes
from logbench.recording.reader import Recording, open_recording
from logbench.recording.storage import (
    copy_new,
    file_sha256,
    storage_error,
    storage_trouble,
    write_whole,
)
from logbench.system.limits import COPIED_FILE_BYTES, JOB_BYTES, READING_BYTES
from logbench.system.private import FILE_MODE, FOLDER_MODE, make_folder
from logbench.system.reading import read_plain, toml_of
from logbench.system.refusal import refusal_of
from logbench.vehicle.records.model import CarReading

JOB_FILE = "job.toml"
HEAD = (
    "A job of logbench: one car's visit. Plain text; what is edited here by hand is shown as "
    "altered outside of the program."
)
LOCK_FILE = ".job.lock"
LOCK_TIMEOUT_S = 5.0


class JobFolder:
    """One job on disk. `load` before `save`; not thread-safe."""

    def __init__(self, path: Path) -> None:
        """`path`: the folder. Use `create` or `open_job`."""
        self.path = path
        self._seen: str | None = None
        """SHA-256 of `job.toml` as it was last read or written here."""

    @property
    def file(self) -> Path:
        """The job file."""
        return self.path / JOB_FILE

    @property
    def ledger(self) -> Ledger:
        """What entered the job, signed."""
        return Ledger(self.path)

    # --- the job file ---

    def load(self) -> Job:
        """The job as it is on disk. Raises JobMissingError, JobDamagedError, JobTooNewError."""
        data = self._bytes()
        job = parse_job(data, str(self.file))
        self._seen = _digest(data)
        return job

    def save(self, job: Job) -> None:
        """Write the job. Raises JobConflictError when the file is not what was last read here: the
        job is then kept beside it, in a file that the message names. JobBusyError; StorageError
        when the disk cannot; JobDamagedError, with nothing written, for a job beyond its limits."""
        with self._locked():
            earlier = self._bytes() if self.file.exists() else None
            if self._seen is not None and (earlier is None or _digest(earlier) != self._seen):
                raise self._conflict(job)
            if self._seen is None and earlier is not None:
                raise self._conflict(job)
            self._write(job, earlier)

    def amend(self, change: Callable[[Job], object]) -> None:
        """Change the job as it is on disk, with nobody saving in between. Raises as `load`, what
        `change` raises, JobBusyError, StorageError."""
        with self._locked():
            earlier = self._bytes()
            job = parse_job(earlier, str(self.file))
            change(job)
            self._write(job, earlier)

    def _write(self, job: Job, earlier: bytes | None) -> None:
        old = None if earlier is None else parse_job(earlier, str(self.file))
        job.job_id = job.job_id or uuid.uuid4().hex
        lines = entries_for(self.ledger, job, old, lambda: _validated(_plain(job), "The job"))
        data = job_text(job, earlier).encode()
        parse_job(data, "The job")  # what is written can be read again
        self.ledger.commit(self.file, data, lines)
        self._seen = _digest(data)

    def keep_notes(self, path: Path, data: bytes) -> None:
        """Write what stands beside a recording, with its entry where the recording is one of the
        job's. Raises JobError, StorageError."""
        with self._locked():
            job = parse_job(self._bytes(), str(self.file))
            self.ledger.commit(path, data, beside_entries(self.ledger, job, path, data))

    def enter_written(self, path: Path, kind: str = REPORT) -> None:
        """Enter a report that was written, or its numbers. Raises JobError, StorageError."""
        with self._locked():
            job = parse_job(self._bytes(), str(self.file))
            if job.ledger.begun_utc:
                self.ledger.enter(Entry(kind, file_sha256(path)), raw(job.job_id))

    def changed_elsewhere(self) -> bool:
        """Whether the file is not what was last read or written here."""
        try:
            return self._seen is not None and _digest(self.file.read_bytes()) != self._seen
        except OSError:
            return True

    def _bytes(self) -> bytes:
        try:
            return read_plain(self.file, JOB_BYTES)
        except ValueError as error:
            raise JobDamagedError(
                f"{self.file} is not read, {error}: put a copy from before in its place."
            ) from error
        except (FileNotFoundError, NotADirectoryError) as error:
            raise JobMissingError(
                f"There is no job in {self.path}: choose a folder with a {JOB_FILE}."
            ) from error
        except OSError as error:
            raise JobMissingError(f"{self.file} cannot be read: {error.strerror}.") from error

    def _conflict(self, job: Job) -> JobConflictError:
        stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
        taken = {path.name.casefold() for path in self.path.iterdir()}
        aside = self.path / free_name(f"job.mine-{stamp}.toml", taken)
        write_whole(aside, job_text(job).encode())
        return JobConflictError(
            f"The job was changed elsewhere, nothing was overwritten: yours is kept as {aside.name}"
            "; open the job again and bring over what is missing."
        )

    @contextmanager
    def _locked(self) -> Iterator[None]:
        lock = FileLock(self.path / LOCK_FILE, timeout=LOCK_TIMEOUT_S, mode=FILE_MODE)
        try:
            lock.acquire()
        except Timeout as error:
            raise JobBusyError(
                "Another window is writing this job just now: try again in a moment."
            ) from error
        except OSError as error:
            raise storage_error(error, self.file) from error
        try:
            yield
        finally:
            lock.release()

    # --- taking things in ---

    def add_recording(self, job: Job, source: Path, role: Role, label: str = "") -> RecordingEntry:
        """Copy a recording into the job (one that is already there stays), with the notes beside
        it, and enter it. Raises RecordingError when the file is none, StorageError.
        """
        from logbench.analysis.learned import (
            learn_from,
        )  # takes time, and no other use of a job needs it

        recording = open_recording(source)
        file = self._take_in(source, "recordings")
        carry_notes(source, place_inside(self.path, file))
        digest = file_sha256(place_inside(self.path, file))
        entry = RecordingEntry(file=file, role=role, label=label, sha256=digest)
        job.recordings.append(entry)
        job.vehicle.learn(recording.facts.car)
        job.vehicle.learn(learn_from(recording))
        return entry

    def add_reading(self, job: Job, reading: CarReading, role: Role) -> ReadingEntry:
        """Write a reading of the car into the job and enter it. Raises StorageError."""
        folder = self._subfolder("readings")
        stamp = safe_name(reading.read_utc.replace(":", "").replace("+0000", "Z") or "reading")
        name = free_name(f"{stamp}-{role}.json", {p.name.casefold() for p in folder.iterdir()})
        write_whole(folder / name, reading.model_dump_json(indent=1).encode())
        at_utc = reading.read_utc or now_utc()
        entry = ReadingEntry(file=f"readings/{name}", role=role, at_utc=at_utc)
        job.readings.append(entry)
        job.vehicle.learn(reading.car)
        return entry

    def add_photo(self, job: Job, source: Path, caption: str = "") -> Photo:
        """Copy a picture or another file into the job and enter it under photos or files.

        Raises StorageError for one that cannot be read, is not a plain file or is too large,
        JobDamagedError for a picture that cannot be shown.
        """
        from logbench.job.pictures import is_photo  # the decoder takes time to load

        with storage_trouble(source):
            size = source.stat().st_size if source.is_file() else -1
        if size < 0 or size > COPIED_FILE_BYTES:
            raise StorageError(
                f"{source.name[:80]} is not taken in: only plain files of up to "
                f"{COPIED_FILE_BYTES / 1e6:.0f} MB are."
            )
        photo = is_photo(source)
        file = self._take_in(source, "photos" if photo else "files")
        entry = Photo(file=file, caption=caption, at_utc=now_utc())
        (job.photos if photo else job.files).append(entry)
        return entry

    def _subfolder(self, name: str) -> Path:
        folder = place_inside(self.path, name)
        with storage_trouble(folder):
            make_folder(folder)
        return folder

    def _take_in(self, source: Path, subfolder: str) -> str:
        """Copy `source`, under a safe and free name; its path in the job."""
        folder = self._subfolder(subfolder)
        if source.resolve().parent == folder and safe_name(source.name) == source.name:
            return f"{subfolder}/{source.name}"
        name = free_name(safe_name(source.name), {p.name.casefold() for p in folder.iterdir()})
        with storage_trouble(folder / name):
            made = copy_new(source, folder / name)
        return f"{subfolder}/{made.name}"

    # --- handing things out ---

    def place(self, file: str) -> Path:
        """Where a file of the job is. Raises JobDamagedError when it leads out of the folder."""
        return place_inside(self.path, file)

    def recording(self, entry: RecordingEntry) -> Recording:
        """Raises JobDamagedError, RecordingError."""
        return open_recording(self.place(entry.file))

    def reading(self, entry: ReadingEntry) -> CarReading:
        """Raises JobDamagedError when the file is missing, no reading, or leads out."""
        path = self.place(entry.file)
        try:
            return CarReading.model_validate_json(read_plain(path, READING_BYTES))
        except (OSError, ValueError) as error:
            raise JobDamagedError(
                f"The reading {entry.file} cannot be read: put the file back, or take the entry "
                "out of the job."
            ) from error


def create_job(parent: Path, title: str, job: Job | None = None) -> tuple[JobFolder, Job]:
    """A new folder in `parent`, named after `title`, with its job file. Raises StorageError."""
    with storage_trouble(parent):
        taken = {path.name.casefold() for path in parent.iterdir()}
        folder = parent / free_name(safe_name(title, "job"), taken)
        folder.mkdir(FOLDER_MODE)
    job = job.model_copy(deep=True) if job is not None else Job()
    job.title = job.title or title[:300]
    job.job_id = job.job_id or uuid.uuid4().hex
    made = JobFolder(folder)
    made.save(job)
    return made, job


def open_job(path: Path) -> tuple[JobFolder, Job]:
    """The job of a folder, or of its job file. Raises JobMissingError and its kin."""
    folder = JobFolder(path.parent if path.name == JOB_FILE else path)
    return folder, folder.load()


def job_folder_of(recording: Path) -> Path | None:
    """The folder of the job that a recording lies in; None where it lies in none."""
    for folder in recording.resolve().parents[:2]:
        if (folder / JOB_FILE).is_file():
            return folder
    return None


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


# --- `job.toml` as text: comments and order stay as a person wrote them ---


def parse_job(data: bytes, where: str) -> Job:
    """The job of a file's bytes; `where` names it in errors.

    Raises JobDamagedError (no TOML, a field out of its limits), JobTooNewError.
    """
    try:
        if len(data) > JOB_BYTES:
            raise ValueError(f"it is longer than {JOB_BYTES / 1e6:g} MB")
        content = toml_of(data)
    except ValueError as error:
        line = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise JobDamagedError(f"{where} is not a readable job file: {line[:200]}.") from error
    version = str(content.get("schema_version", SCHEMA_VERSION))
    if version.split(".", maxsplit=1)[0] != SCHEMA_VERSION.split(".")[0]:
        raise JobTooNewError(
            f"{where} was written by another major version ({version[:20]}): open it with that."
        )
    return _validated(content, where)


def _validated(content: dict[str, Any], where: str) -> Job:
    try:
        return Job.model_validate(content)
    except ValidationError as error:
        wrong = refusal_of(error, Job)
        raise JobDamagedError(f"{where}: the field {wrong.field}: {wrong.why}.") from error


def job_text(job: Job, earlier: bytes | None = None) -> str:
    """The file's new text. With `earlier`, the present file, only what differs is replaced."""
    document = tomlkit.document()
    if earlier is None:
        document.add(tomlkit.comment(HEAD))
        document.add(tomlkit.nl())
        old: dict[str, Any] = {}
    else:
        document = tomlkit.parse(earlier.decode("utf-8-sig"))
        old = _plain(parse_job(earlier, "job.toml"))
    new = _plain(job)
    for key in [key for key in old if key not in new]:
        document.pop(key, None)
    for key, value in new.items():
        if key not in document or old.get(key) != value:
            document[key] = value
    return tomlkit.dumps(document)


def _plain(job: Job) -> dict[str, Any]:
    """Plain values without None and without empty parts; TOML's tables last."""
    values = job.model_dump(exclude_none=True)
    for key in ("customer", "vehicle"):
        values[key] = getattr(job, key).model_dump(mode="json", exclude_defaults=True)
    kept = {key: value for key, value in values.items() if value not in ("", [], {})}
    return dict(sorted(kept.items(), key=lambda item: isinstance(item[1], dict | list)))
