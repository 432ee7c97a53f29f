"""Cases of an archive: looked through, listed, checked, verified, added to, compared.

Long ones end early with what they have when they are canceled, and what is done to files goes on
when the archive is not shown any more.
"""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from logbench.cases.cars import CarsFile
from logbench.cases.work import (
    Canceling,
    CancelledError,
    Deed,
    Outcome,
    Work,
    only_looks,
)
from logbench.errors import LogbenchError
from logbench.system.folders import FolderTooLargeError, files_below
from logbench.system.progress import Told
from logbench.words import tr, tr_n, word

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.facets import Facets
    from logbench.archive.find import Filter
    from logbench.archive.likeness import Alike
    from logbench.archive.overview import Catalog, Number, Row
    from logbench.archive.questions import Answer
    from logbench.archive.repeats import Habit
    from logbench.archive.store import Problem
    from logbench.archive.trend import Trend
    from logbench.importing.run import Outcome as Imported
    from logbench.recording.notes import Remark
    from logbench.recording.preview import Preview


@dataclass(frozen=True)
class Listing:
    """What fits the filter, what there is to choose from, and what is left out."""

    rows: list[Row]
    facets: Facets
    problems: tuple[Problem, ...]
    chosen: Filter


@dataclass(frozen=True)
class Details:
    """One recording: its row of the view `recordings`, its signals and findings, what is said of it
    (in an object store: what it holds itself)."""

    recording: str
    facts: dict[str, Any]
    signals: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    remarks: tuple[Remark, ...] = ()


@dataclass
class Line:
    """One file in the account of what was done; `more` is shown below it."""

    name: str
    text: str
    bad: bool = False
    more: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Added:
    """What became of one file that was to be added; `recording`: where it is in the archive."""

    file: Path
    recording: str = ""
    new: bool = False
    problem: str = ""

    @property
    def sentence(self) -> str:
        """In words."""
        text = tr("added as {where}", where=self.recording)
        there = tr("is there already: {where}", where=self.recording)
        return self.problem or (text if self.new else there)


@dataclass
class Account:
    """What a long piece of work did."""

    sentence: str
    lines: list[Line] = field(default_factory=list)
    made: list[Path] = field(default_factory=list)
    """New recordings: files, or paths in an archive."""
    imported: list[Imported] = field(default_factory=list)
    """What was imported of each file, in order."""
    untouched: int = 0
    """Files that it did not come to before it was stopped."""
    added: list[Added] = field(default_factory=list)
    """What became of each file that was to be added, in order."""

    @property
    def here(self) -> list[Path]:
        """Recordings of the same samples that were there before."""
        return [path for one in self.imported for path in one.here]

    @property
    def bad(self) -> int:
        """Files with which something is wrong."""
        return sum(line.bad for line in self.lines)


@only_looks
def open_archive(work: Work, place: str | Archive, cache: Path | None = None) -> Catalog:
    """Look through the archive at a folder or URL, or through one that is open again; only what is
    new or changed is read. `cache`: where what is known of archives is kept; None: the user's.
    Raises `ArchiveError`."""
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Catalog

    archive = Archive(place, cache, CarsFile().load()) if isinstance(place, str) else place
    work.report(tr("Looking through the archive"))
    archive.refresh(lambda done, of: work.report(tr("Reading what is new"), done / max(1, of)))
    return Catalog(archive)


@only_looks
def list_recordings(work: Work, seen: Catalog, chosen: Filter) -> Listing:
    """What fits a filter. Raises `UsageError` for one that is not understood."""
    work.report(tr("Searching"))
    rows, facets = seen.look(chosen)
    return Listing(rows, facets, seen.archive.index.problems, chosen)


@only_looks
def show_recording(work: Work, archive: Archive, name: str) -> Details:
    """Facts, signals and findings of a recording; findings that are not known yet are made and
    kept."""
    from logbench.recording.notes import read_remarks

    work.report(tr("Reading"))
    sql = "SELECT * FROM recordings WHERE recording = ?"
    (facts,) = archive.rows(sql, [name])
    sql = "SELECT * FROM signals WHERE recording = ? ORDER BY signal, ecu"
    signals = archive.rows(sql, [name])
    work.report(tr("Checking"), 0.5)
    remarks, _ = read_remarks(archive.open(name))  # why notes are missing is in the facts
    return Details(name, facts, signals, archive.findings_of(name), remarks)


@only_looks
def ask_archive(
    work: Work, archive: Archive, sql: str, chosen: Filter | None = None, every_s: float = 1.0
) -> Answer:
    """The answer to one SELECT that a person wrote; `every_s`: the step of its view `aligned`.
    Canceled, it ends within a moment. Raises `QueryError`, `UsageError`."""
    work.report(tr("Searching"))
    return archive.query(sql, chosen, lambda: work.cancelled, every_s)


@only_looks
def make_previews(
    work: Work, archive: Archive, recordings: tuple[str, ...], signal: str
) -> dict[str, Preview | None]:
    """Small traces of one signal; None for a recording that cannot be read."""
    from logbench.archive.overview import preview_of

    made: dict[str, Preview | None] = {}
    for number, name in enumerate(recordings):
        work.report(tr("Drawing"), number / len(recordings))
        try:
            made[name] = preview_of(archive, name, signal)
        except LogbenchError:
            made[name] = None
    return made


@only_looks
def fetch_files(work: Work, archive: Archive, recordings: tuple[str, ...]) -> list[Path]:
    """The files of recordings on this computer, fetched where the archive is not."""
    made = []
    for number, name in enumerate(recordings):
        work.report(tr("Fetching {name}", name=name), number / len(recordings))
        made.append(archive.local_copy(name))
    return made


@only_looks
def find_similar(work: Work, archive: Archive, recording: str, count: int = 20) -> list[Alike]:
    """The nearest recordings, the nearest first; the first time every recording is read."""
    from logbench.archive.likeness import similar_drives

    def compared(done: int, of: int) -> None:
        work.report(tr("Comparing {done:,} of {of:,}", done=done, of=of), done / max(1, of))

    return similar_drives(archive, recording, count, compared)


@only_looks
def list_numbers(work: Work, archive: Archive, car: str = "") -> list[Number]:
    """What can be followed over a car's life (empty: any car's), numbers of most recordings
    first."""
    from logbench.archive.overview import numbers_of

    work.report(tr("Looking up what is known of the car"))
    return numbers_of(archive, car)


@only_looks
def follow_number(
    work: Work, archive: Archive, number: str, car: str, *, exact: bool = True
) -> Trend:
    """A number in each of a car's recordings, where it changed, the last held against other cars;
    only what has been checked counts. `car`, `exact`: see `trend_of`. Raises `UsageError`."""
    from logbench.archive.trend import trend_of

    work.report(tr("Following the number"))
    return trend_of(archive, number, car, exact=exact)


@only_looks
def job_as_archive(work: Work, folder: Path) -> str:
    """The place of a job's folder as an archive of its own, its recordings checked; empty where it
    has too few for anything to be learned beside a comparison. Raises `ArchiveError`."""
    from logbench.analysis.changes import LEAST_DRIVES
    from logbench.archive.archive import Archive
    from logbench.archive.sweep import sweep_checks

    archive = Archive(folder, cars=CarsFile().load())
    if len(archive.refresh()) < LEAST_DRIVES + 2:
        return ""
    work.report(tr("Checking the recordings of the job"))
    sweep_checks(archive, processes=1)
    return archive.place


@only_looks
def list_habits(work: Work, archive: Archive, car: str = "") -> list[Habit]:
    """How far each number of a car (part of its name or VIN; empty: of all cars) moves from drive
    to drive; only what has been checked counts. Raises `UsageError`."""
    from logbench.archive.repeats import habits_of

    work.report(tr("Learning from the drives"))
    return habits_of(archive, car)


# --- long work ---


@dataclass(frozen=True)
class Accounted(Deed[Account]):
    """Long work on many files. Canceled, it ends after the file it is at."""

    canceling: ClassVar[Canceling] = "keep"

    def outcome(self, answer: Account) -> Outcome:
        """Its own sentence."""
        return Outcome(answer.sentence, well=not answer.bad)


@dataclass(frozen=True)
class RunChecks(Accounted):
    """Run the checks over those recordings that have not been checked; `processes` 0: as many as
    pay."""

    archive: Archive
    recordings: tuple[str, ...]
    processes: int = 0

    def run(self, work: Work) -> Account:
        """Findings are kept as they are made."""
        from logbench.archive.sweep import sweep_checks

        archive, recordings = self.archive, self.recordings
        pending = len(archive.pending(recordings))
        work.report(tr_n("Checking {n:,} recording", "Checking {n:,} recordings", pending))
        done, stopped = 0, False

        def checked(now: int, of: int) -> None:
            nonlocal done
            done = now
            work.report(tr("Checked {now:,} of {of:,}", now=now, of=of), now / max(1, of))
            if work.cancelled:
                raise CancelledError

        try:
            sweep_checks(archive, processes=self.processes, recordings=recordings, progress=checked)
        except CancelledError:
            stopped = True
        problems = {row["recording"]: row["problem"] for row in archive.findings.to_pylist()}
        lines = [Line(name, problems[name], bad=True) for name in recordings if problems.get(name)]
        sentence = tr_n(
            "{n:,} recording checked, {known:,} checked earlier",
            "{n:,} recordings checked, {known:,} checked earlier",
            done if stopped else pending,
            known=len(recordings) - pending,
        )
        left = pending - done if stopped else 0
        rest = tr(", {left:,} left.", left=left) if stopped else "."
        return Account(sentence + rest, lines, untouched=left)


@dataclass(frozen=True)
class VerifyArchive(Accounted):
    """Hold every recording against its checksum; with `quarantine` damaged files are set aside."""

    archive: Archive
    quarantine: bool = False

    def run(self, work: Work) -> Account:
        """Nothing is ever deleted."""
        total = len(self.archive.entries())
        counts: Counter[str] = Counter()
        lines = []
        for found in self.archive.check(self.quarantine):
            counts[found.health] += 1
            done = counts.total()
            work.report(
                tr("Verified {done:,} of {of:,}", done=done, of=total), done / max(1, total)
            )
            if found.health in {"damaged", "unreadable"}:
                moved = tr(" Set aside as {moved_to}.", moved_to=found.moved_to)
                text = found.sentence + (moved if found.moved_to else "")
                lines.append(Line(found.path, text, bad=True))
            if work.cancelled:
                break
        parts = [f"{n:,} {word(health)}" for health, n in sorted(counts.items())]
        left = total - counts.total() if work.cancelled else 0
        parts += _left(left)
        sentence = tr("Verified: {told}.", told=", ".join(parts) or tr("nothing there"))
        return Account(sentence, lines, untouched=left)


@dataclass(frozen=True)
class AddRecordings(Accounted):
    """Copy recordings into an archive, out of folders too."""

    archive: Archive
    paths: tuple[Path, ...]

    def run(self, work: Work) -> Account:
        """A file that cannot be added is named; the next may be fine."""
        files: list[Path] = []
        lines: list[Line] = []
        for path in self.paths:
            try:
                found = files_below(path) if path.is_dir() else [path]
                files += [f for f in found if f.suffix == ".parquet" or f == path]
            except FolderTooLargeError as error:
                lines.append(Line(path.name, str(error), bad=True))
        added: list[Added] = []
        for number, file in enumerate(files):
            if work.cancelled:
                break
            work.report(tr("Adding {name}", name=file.name), number / max(1, len(files)))
            try:
                added.append(Added(file, *self.archive.add(file)))
            except LogbenchError as error:
                added.append(Added(file, problem=str(error)))
        lines += [Line(one.file.name, one.sentence, bad=bool(one.problem)) for one in added]
        made = [Path(one.recording) for one in added if one.new]
        sentence = tr_n(
            "{n:,} recording added, {others:,} not",
            "{n:,} recordings added, {others:,} not",
            len(made),
            others=len(lines) - len(made),
        )
        left = len(files) - len(added)
        told = ", ".join((sentence, *_left(left))) + "."
        return Account(told, lines, made, added=added, untouched=left)


def _left(files: int) -> list[str]:
    """What to say of files to which it did not come."""
    return [tr("{n:,} not touched", n=files)] if files else []


@dataclass(frozen=True)
class ExportArchive(Accounted):
    """Copy the recordings that fit into a folder, itself an archive; nothing is overwritten.

    `private`: only what `recording/privacy.py` lets go along, as `recording-1.parquet` and so on in
    order of time; otherwise as they are, with their notes. Raises `StorageError`, the archive's and
    the reader's errors.
    """

    archive: Archive
    out: Path
    chosen: Filter | None = None
    private: bool = False

    def run(self, work: Work) -> Account:
        """The files written stand in `made`."""
        from logbench.recording.storage import storage_trouble
        from logbench.system.private import make_folder

        names = list(reversed(self.archive.find(self.chosen)["recording"].to_pylist()))
        with storage_trouble(self.out):
            make_folder(self.out)
        made: list[Path] = []
        with suppress(CancelledError):
            for number, name in enumerate(names):
                told = work.telling_of(tr("Exporting {name}", name=name), number, len(names))
                told(0.0)
                how = (name, number + 1, told)
                made.append(self._private(*how) if self.private else self._copy(name))
        left = len(names) - len(made)
        sentence = tr_n(
            "{n:,} recording is in {out}", "{n:,} recordings are in {out}", len(made), out=self.out
        )
        return Account(", ".join((sentence, *_left(left))) + ".", made=made, untouched=left)

    def untouched(self) -> str:
        """The archive, and what was copied."""
        return tr(
            "Stopped: what is in {out} is whole, the rest is missing; {place} is as it was.",
            out=self.out,
            place=self.archive.place,
        )

    def _private(self, name: str, number: int, told: Told) -> Path:
        from logbench.recording.finish import write_recording
        from logbench.recording.privacy import private_recording

        shown = private_recording(self.archive.open(name))
        wanted = self.out / f"recording-{number}.parquet"
        return write_recording(wanted, shown.traces(), shown.facts, told=told)

    def _copy(self, name: str) -> Path:
        from logbench.recording.notes import carry_notes
        from logbench.recording.storage import copy_new, storage_trouble
        from logbench.system.private import make_folder

        source, wanted = self.archive.local_copy(name), self.out / name
        with storage_trouble(wanted):
            make_folder(wanted.parent)
            made = copy_new(source, wanted)
        carry_notes(source, made)
        return made
