"""A customer's data: found, said, and deleted, wherever this program keeps them.

Who it is may be a job's folder or a word: a VIN, a plate, the name of a car or of a customer, whole
and in any case of letters. What is found leads on by the car: by its VIN, or by what its ECUs are,
and by the samples of a job's recordings.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pyarrow import ArrowException

from logbench.archive.archive import Archive
from logbench.archive.index import rows_of
from logbench.archive.kept import forget_rows
from logbench.archive.store import RemoteStore, open_store
from logbench.car.identity import Identity
from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.cases.cars import CarsFile
from logbench.cases.settings import Settings
from logbench.cases.work import Deed, Outcome, Work, only_looks
from logbench.errors import LogbenchError, NotARecordingError
from logbench.job.folder import JOB_FILE, open_job
from logbench.job.model import Job
from logbench.recording.journal import JournalLock
from logbench.recording.journal_reading import SUFFIX, scan_journal
from logbench.recording.model import Facts
from logbench.recording.notes import notes_path
from logbench.recording.places import rescue_folder
from logbench.recording.reader import open_recording
from logbench.recording.storage import storage_error
from logbench.system.limits import FOLDER_DEPTH, FOLDER_FILES
from logbench.system.platforms import cache_home, config_home, data_home
from logbench.words import tr, tr_n

T = TypeVar("T")
BEYOND = tr(
    "Out of reach stay: copies and exports elsewhere, reports that were handed on, earlier "
    "versions in an object store, backups, and what a disk keeps of deleted files."
)


@dataclass(frozen=True)
class Traces:
    """What there is of a customer."""

    words: frozenset[str] = frozenset()
    """Names, plates and VINs by which it was found, in lower case."""
    keys: frozenset[str] = frozenset()
    """`Identity.key` of its cars."""
    samples: frozenset[str] = frozenset()
    """Checksums of recordings of its jobs."""
    jobs: tuple[Path, ...] = ()
    """Folders, which go with all that is in them."""
    files: tuple[Path, ...] = ()
    """Recordings, the notes beside them and unfinished recordings, outside of those folders."""
    objects: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Recordings in object stores: address, and their names there."""
    indexed: int = 0
    """Rows of recordings in the indexes kept of archives."""
    cars: tuple[str, ...] = ()
    """Known cars, as they are called."""
    unread: tuple[str, ...] = ()
    """What could not be looked into, a sentence each."""

    @property
    def lines(self) -> list[str]:
        """What would go, for a person to read."""
        out = [tr("Job with all its files: {path}", path=path) for path in self.jobs]
        out += [tr("File: {path}", path=path) for path in self.files]
        out += [
            tr("Object: {name} in {place}", name=name, place=place)
            for place, names in self.objects
            for name in names
        ]
        out += [tr("Known car: {name}", name=name) for name in self.cars]
        if self.indexed:
            out.append(
                tr_n(
                    "Index of an archive: {n} row, with its findings",
                    "Indexes of archives: {n} rows, with their findings",
                    self.indexed,
                )
            )
        return out

    def has_word(self, *texts: str) -> bool:
        """Whether one of the texts is one of the words."""
        return any(text.strip().casefold() in self.words for text in texts if text.strip())

    def is_of(self, car: Car, *texts: str) -> bool:
        """Whether this is the car, or one of these the name, of the customer."""
        if self.has_word(car.label, car.registration, car.vin, car.identity.vin, *texts):
            return True
        return any(identity.key in self.keys for identity in car.identities if identity.key)

    def is_row(self, row: Mapping[str, Any]) -> bool:
        """The same for a row of the views `recordings` and `jobs`."""
        keys = (Identity(vin=row["vin"] or "").known_vin, row.get("samples_sha256"))
        return self.has_word(row["vin"] or "", row["car"] or "") or bool(
            {key for key in keys if key} & (self.keys | self.samples)
        )

    def is_recording(self, facts: Facts) -> bool:
        """Whether a recording is of it."""
        corrected = [one.before for one in facts.corrections if isinstance(one.before, str)]
        keys = {Identity(vin=text).key for text in corrected} - {""}
        named = self.is_of(facts.car, *corrected) or bool(keys & self.keys)
        return named or facts.samples_sha256 in self.samples


def usual_places(settings: Settings) -> list[Path]:
    """Folders in which this program has put recordings and jobs, and archives that were open."""
    known = CarsFile().load().cars
    jobs = [settings.last_job, *(Path(one.last_job) for one in known if one.last_job)]
    found = [settings.folder, settings.days_folder, rescue_folder(), *settings.compare_places]
    found += [job.parent for job in jobs if job is not None]
    if settings.last_archive and "://" not in settings.last_archive:
        found.append(Path(settings.last_archive))
    real = dict.fromkeys(path.resolve() for path in found if path.is_dir())
    return [path for path in real if not any(other in path.parents for other in real)]


@only_looks
def find_traces(work: Work, who: str, places: tuple[str, ...]) -> Traces:
    """Look through folders and object stores (`places`), known cars and indexes."""
    unread: list[str] = []
    jobs: list[Path] = []
    files: list[Path] = []
    for path in _walked([Path(place).resolve() for place in places if "://" not in place]):
        work.report(tr("Looking into {name}", name=path.name))
        (jobs if path.name == JOB_FILE else files).append(path)
    given = (Path(who) / JOB_FILE).resolve() if (Path(who) / JOB_FILE).is_file() else None
    if given is not None and given not in jobs:
        jobs.append(given)
    read = {path: job for path in jobs if (job := _tried(_job, path, unread)) is not None}
    traces = _customer(who, given, read)
    mine = {
        path.parent
        for path, job in read.items()
        if path == given or traces.is_of(job.vehicle, *_people(job))
    }
    work.report(tr("Looking into recordings"))
    found = []
    for path in files:
        facts = None if mine & set(path.parents) else _tried(_facts, path, unread)
        if facts is not None and traces.is_recording(facts):
            found += [path, *(one for one in path.parent.iterdir() if _is_beside(one, path))]
    cars = [one for one in CarsFile().load().cars if traces.is_of(one.car)]
    return replace(
        traces,
        jobs=tuple(sorted(mine)),
        files=tuple(sorted(set(found))),
        objects=tuple(_objects(traces, places, unread)),
        indexed=sum(len(rows_of(cache, traces.is_row)) for cache in _caches()),
        cars=tuple(one.car.called or tr("unnamed car") for one in cars),
        unread=tuple(unread),
    )


def _walked(folders: Iterable[Path]) -> Iterator[Path]:
    """Jobs, recordings and unfinished recordings below folders; no link is followed."""
    seen: set[Path] = set()
    for root in folders:
        for above, below, names in os.walk(root):
            if len(Path(above).relative_to(root).parts) >= FOLDER_DEPTH:
                below.clear()
            for name in names:
                path = Path(above, name)
                wanted = name == JOB_FILE or path.suffix in (".parquet", SUFFIX)
                if wanted and path not in seen and path.is_file() and not path.is_symlink():
                    seen.add(path)
                    yield path
            if len(seen) > FOLDER_FILES:
                return


def _tried(read: Callable[[Path], T], path: Path, unread: list[str]) -> T | None:
    """What is read of a file; None where it cannot be, which is told unless it is none of ours."""
    try:
        return read(path)
    except NotARecordingError:
        return None
    except LogbenchError as error:
        unread.append(str(error))
        return None


def _job(path: Path) -> Job:
    return open_job(path)[1]


def _facts(path: Path) -> Facts:
    """Raises `JournalInUseError` for a drive that is being recorded, which is left alone."""
    if path.suffix != SUFFIX:
        return open_recording(path).facts
    JournalLock(path).close()
    return scan_journal(path).facts


def _is_beside(path: Path, recording: Path) -> bool:
    """Whether it is the notes of a recording, also those that could not be read and were set
    aside."""
    return path.name.startswith(notes_path(recording).name) and not path.is_dir()


def _people(job: Job) -> tuple[str, ...]:
    return job.customer.name, job.customer.contact


def _customer(who: str, given: Path | None, jobs: Mapping[Path, Job]) -> Traces:
    """By what a customer is found: the word, or the job, and the cars behind it."""
    traces = Traces(words=frozenset() if given else frozenset({who.strip().casefold()}))
    if given is None:
        named = [j for j in jobs.values() if traces.is_of(j.vehicle, *_people(j))]
        named_cars = [one.car for one in CarsFile().load().cars if traces.is_of(one.car)]
    else:
        named, named_cars = [jobs[given]] if given in jobs else [], []
    cars = [job.vehicle for job in named] + named_cars
    keys = {identity.key for car in cars for identity in car.identities}
    known = Identity(vin=who).known_vin
    plates = {car.registration.strip().casefold() for car in cars} - {""}
    samples = set()
    for path, job in jobs.items():
        if job in named:
            entries = (path.parent / entry.file for entry in job.recordings)
            facts = (_tried(_facts, entry, []) for entry in entries)
            samples |= {one.samples_sha256 for one in facts if one is not None}
    return replace(
        traces,
        words=traces.words | plates,
        keys=frozenset(keys | {known}) - {""},
        samples=frozenset(samples) - {""},
    )


def _objects(
    traces: Traces, places: Iterable[str], unread: list[str]
) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Recordings in object stores."""
    for place in places:
        if "://" not in place:
            continue
        try:
            index = Archive(place).index
        except LogbenchError as error:
            unread.append(str(error))
            continue
        rows = index.recordings.to_pylist()
        unread += [
            tr("The job {job} in {place} is of it: delete it there.", job=row["job"], place=place)
            for row in index.jobs.to_pylist()
            if traces.is_row(row)
        ]
        names = tuple(row["recording"] for row in rows if traces.is_row(row))
        if names:
            yield place, names


def _caches() -> list[Path]:
    """The folders in which something is kept of an archive."""
    base = cache_home() / "archives"
    return [path for path in base.glob("*") if path.is_dir()]


@dataclass(frozen=True)
class Forgotten:
    """How it went: what is gone, and a sentence for each thing that is not."""

    gone: int = 0
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class Forget(Deed[Forgotten]):
    """Delete what was found, also from indexes, known cars and settings; what cannot be deleted is
    told, the rest goes."""

    traces: Traces
    settings: Settings
    cars: CarsFile = field(default_factory=CarsFile)

    def run(self, work: Work) -> Forgotten:
        """What became of it."""
        work.seal()
        traces, problems = self.traces, list[str]()
        things = [*traces.jobs, *traces.files]
        for number, path in enumerate(things):
            work.report(tr("Deleting {name}", name=path.name), number / max(1, len(things)))
            _attempt(problems, path, partial(_remove, path))
        for place, names in traces.objects:
            _attempt(problems, Path(place), partial(_remove_objects, place, names))
        for cache in _caches():
            rows = rows_of(cache, traces.is_row)
            _attempt(problems, cache, partial(forget_rows, cache, rows))
        try:
            self.cars.change(self._forget_cars)
        except LogbenchError as error:
            problems.append(str(error))
        for path in _set_aside():
            _attempt(problems, path, partial(_remove, path))
        self.settings.forget(things)
        left = sum(path.exists() for path in things)
        gone = len(things) - left + sum(len(names) for _, names in traces.objects)
        return Forgotten(gone, tuple(problems))

    def _forget_cars(self, known: KnownCars) -> None:
        cars = [one for one in known.cars if self.traces.is_of(one.car)]
        known.forget(self.traces.keys | {key for one in cars for key in one.keys}, cars)

    def outcome(self, answer: Forgotten) -> Outcome:
        """How much is gone, and what is left."""
        said = tr_n("{n} thing is deleted.", "{n} things are deleted.", answer.gone)
        return Outcome(" ".join((said, *answer.problems, BEYOND)), well=not answer.problems)


def _attempt(problems: list[str], path: Path, deed: Callable[[], object]) -> None:
    try:
        deed()
    except OSError as error:
        problems.append(str(storage_error(error, path)))
    except (LogbenchError, ArrowException) as error:
        problems.append(str(error))


def _remove(path: Path) -> None:
    """Delete a file, or a folder with the job's file last; then folders that it leaves empty."""
    if path.is_dir():
        for item in path.iterdir():
            if item.is_dir() and not item.is_symlink():
                shutil.rmtree(item)
            elif item.name != JOB_FILE:
                item.unlink()
        (path / JOB_FILE).unlink(missing_ok=True)
        path.rmdir()
    else:
        path.unlink(missing_ok=True)
    with suppress(OSError):  # it is not empty
        path.parent.rmdir()


def _remove_objects(place: str, names: tuple[str, ...]) -> None:
    store = open_store(place)
    assert isinstance(store, RemoteStore)
    for name in names:
        store.remove(name)


def _set_aside() -> Iterator[Path]:
    """Files of the program's own that could not be read, and were kept: nobody knows what of."""
    for folder in (data_home(), config_home()):
        yield from folder.glob("*.unreadable-*")
