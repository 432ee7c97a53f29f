"""A recording: judged by the limits of its user, verified, noted on, and handed on in parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from logbench.analysis.engine import Engine
from logbench.analysis.model import ConditionSpan, Finding
from logbench.car.model import Car
from logbench.cases.cars import CarsFile
from logbench.cases.work import Canceling, Deed, Outcome, Work, not_written, only_looks
from logbench.errors import NotesError, RecordingDamagedError, RecordingError, UsageError
from logbench.recording.model import Surroundings
from logbench.signals.units import METRIC, Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.learned import Told
    from logbench.job.seal import FileSeal
    from logbench.recording.export import Layout, Selection
    from logbench.recording.model import Correction, Facts
    from logbench.recording.notes import Keep, Remark
    from logbench.recording.reader import Recording


@dataclass(frozen=True)
class Judged:
    """What the analysis says of a recording."""

    conditions: tuple[ConditionSpan, ...]
    findings: tuple[Finding, ...]
    engine: tuple[Told, ...] = ()
    """What engine it is."""
    problem: str = ""
    """What is wrong with the user's own limits, which were not used then; that another
    installation has sealed the recording."""
    learned_from: int = 0
    """Drives of the same car that told how far it moves from one to the next."""
    kind: Engine = field(default_factory=Engine)
    """The same of the engine, for further analysis."""
    changed: tuple[str, ...] = ()
    """Why it is not what was recorded, or not what entered the ledger of its job."""


@only_looks
def judge(
    work: Work, recording: Recording, limits: Path | None = None, archive: str = ""
) -> Judged:
    """Driving conditions and findings of a recording that is open.

    `limits`: the file of own limits and checks; None: the one at the usual place, if there is one.
    `archive`: with the car's other drives, which tell how far it moves from drive to drive; empty:
    none. Raises `BandsError` for a file that is named and wrong, `ArchiveError`.
    """
    from logbench.analysis.bands import load_limits
    from logbench.analysis.learned import engine_told
    from logbench.analysis.run import run_checks
    from logbench.analysis.view import View
    from logbench.archive.repeats import repeats_in

    loaded = load_limits(limits)
    work.report(tr("Finding driving conditions"), 0.2)
    view = View(recording)
    conditions = view.conditions.spans
    work.report(tr("Running the checks"), 0.5)
    repeats = repeats_in(archive, CarsFile().load(), [recording.facts])
    findings = tuple(run_checks(view, loaded.bands, repeats=repeats))
    learned_from = max((scatter.drives for scatter in repeats.own.values()), default=0)
    told = engine_told(view)
    changed, remark = changes_of(recording)
    problem = " ".join(filter(None, (loaded.problem, remark)))
    return Judged(conditions, findings, told, problem, learned_from, view.engine, changed)


@only_looks
def check_recording(
    work: Work,
    path: Path,
    limits: Path | None = None,
    vehicle: Car | None = None,
    surroundings: Surroundings | None = None,
    archive: str = "",
) -> tuple[Recording, Judged]:
    """Open a recording and judge it; what is stated of car and surroundings goes before what the
    file says. Raises the reader's errors, and as `judge`."""
    from logbench.recording.reader import open_recording

    work.report(tr("Opening {name}", name=path.name), 0.0)
    recording = open_recording(path)
    facts = recording.facts
    facts.vehicle = (vehicle or Car()).over(facts.vehicle)
    facts.extra.update((surroundings or Surroundings()).extra())
    return recording, judge(recording, limits, archive).run(work)


class Verified(NamedTuple):
    """Whether samples, and what was exchanged with the car, have their checksums; None: there are
    none, or no exchanges."""

    samples: bool | None
    exchanges: bool | None
    in_job: FileSeal
    """Whether it is what entered the ledger of the job it lies in."""


@only_looks
def verify_file(work: Work, path: Path) -> Verified:
    """Whether a recording still is what was recorded. Raises the reader's errors."""
    from logbench.job.seal import file_seal
    from logbench.recording.reader import open_recording

    work.report(tr("Verifying {name}", name=path.name))
    recording = open_recording(path)
    return Verified(recording.intact(), _exchanges_intact(recording), file_seal(path))


def changes_of(recording: Recording) -> FileSeal:
    """What shows that a recording is not what was recorded, or not what entered the ledger of the
    job it lies in; and whether another installation has sealed it."""
    from logbench.job.seal import FileSeal, file_seal

    if recording.path is None:
        return FileSeal()
    problems, remark = file_seal(recording.path)
    return FileSeal((*altered(recording), *problems), remark)


def altered(recording: Recording) -> tuple[str, ...]:
    """What its own checksums show, a sentence each."""
    found = []
    name = recording.path.name if recording.path else ""
    with suppress(RecordingError):  # one that cannot be read is told by whoever reads it
        if recording.intact() is False:
            found.append(
                tr("{file} was CHANGED: its samples are not what was recorded.", file=name)
            )
        if _exchanges_intact(recording) is False:
            found.append(
                tr(
                    "{file} was CHANGED: the exchanges with the car in it are not what was "
                    "recorded.",
                    file=name,
                )
            )
    return tuple(found)


def _exchanges_intact(recording: Recording) -> bool | None:
    if recording.facts.exchanges is None:
        return None
    try:
        recording.check_exchanges()
    except RecordingDamagedError:
        return False
    return True


@dataclass(frozen=True)
class ExportRecording(Deed[Path]):
    """Write a recording, or a part of it, with its notes, as CSV or Parquet, as `out` ends; nothing
    is overwritten. `private`: only what `recording/privacy.py` lets go along, and no notes.

    Canceled, nothing is left of it. Raises `UsageError` for another ending,
    `SignalUnsupportedError`, `StorageError`, the reader's errors.
    """

    canceling: ClassVar[Canceling] = "drop"

    path: Path
    out: Path
    selection: Selection
    layout: Layout = "wide"
    step_s: float | None = None
    private: bool = False
    plain: bool = False
    """Parquet in encodings that every reader knows, without the exchanges with the car."""

    def run(self, work: Work) -> Path:
        """The file written."""
        from logbench.analysis.grid import with_computed
        from logbench.recording.export import export_csv, export_parquet
        from logbench.recording.notes import change_notes, read_notes, read_remarks
        from logbench.recording.privacy import is_public, private_recording
        from logbench.recording.reader import open_recording

        kind = self.out.suffix.lower()
        if kind not in {".csv", ".parquet"}:
            raise UsageError(tr("'{file}' must end in .csv or .parquet.", file=self.out))
        told = work.telling(tr("Exporting {name}", name=self.path.name))
        told(0.0)
        others = [s for s in self.selection.signals or () if self.private and not is_public(s)]
        if others:
            raise UsageError(
                tr(
                    "{names} cannot be in a private export: only signals of the standard can.",
                    names=", ".join(others),
                )
            )
        opened = open_recording(self.path)
        shown = private_recording(opened) if self.private else opened
        recording = with_computed(shown, self.selection.signals)
        if kind == ".csv":
            remarks, problem = read_remarks(shown)
            if problem:
                raise NotesError(problem)
            how = self.selection, self.layout, self.step_s
            return export_csv(recording, self.out, *how, remarks=remarks, told=told)
        made = export_parquet(recording, self.out, self.selection, plain=self.plain, told=told)
        if self.private:
            return made
        notes = read_notes(self.path, recording.facts.samples_sha256)
        change_notes(made, open_recording(made).facts.samples_sha256, lambda _: notes)
        return made

    def untouched(self) -> str:
        """Neither file."""
        return not_written(self.out, self.path.name)

    def outcome(self, answer: Path) -> Outcome:
        """Where it is."""
        return Outcome(tr("Written to {path}", path=answer))


Change = Callable[[Sequence["Remark"]], Sequence["Remark"]]
_one_at_a_time = Lock()


@dataclass(frozen=True)
class NotesBeside(Deed[tuple["Remark", ...]]):
    """The notes beside a recording as they are, after a change if one is wanted, which is made one
    at a time. Raises `NotesError`, `StorageError`."""

    recording: Path
    samples_sha256: str
    change: Change | None = None

    def run(self, work: Work) -> tuple[Remark, ...]:
        """Read, change, write; in order of time."""
        from logbench.recording.notes import change_notes, read_notes

        if self.change is None:
            return read_notes(self.recording, self.samples_sha256)
        with _one_at_a_time:
            keep = _keeper(self.recording)
            return change_notes(self.recording, self.samples_sha256, self.change, keep)


@dataclass(frozen=True)
class CorrectFacts(Deed["Facts"]):
    """Correct facts of a recording: car, start, surroundings; its samples are not touched. Raises
    the reader's errors, and as `corrections.correct_beside`."""

    path: Path
    changes: Mapping[str, object]
    """By fact of `corrections.CORRECTABLE`; None: nothing is known."""
    take_back: bool = False
    """Corrections of before are taken back first."""

    def run(self, work: Work) -> Facts:
        """The facts as they are then."""
        from logbench.recording.corrections import correct_beside, take_back
        from logbench.recording.reader import open_recording

        with _one_at_a_time:
            facts, keep = open_recording(self.path).facts, _keeper(self.path)
            if self.take_back:
                take_back(self.path, facts, keep)
                facts = open_recording(self.path).facts
            return correct_beside(self.path, facts, self.changes, keep)


@dataclass(frozen=True)
class WithdrawCorrections(Deed["Facts"]):
    """Take some corrections of a recording back; its facts as they are then. Raises the reader's
    errors, `NotesError`, `StorageError`."""

    path: Path
    gone: Sequence[Correction]

    def run(self, work: Work) -> Facts:
        """The others stay."""
        from logbench.recording.corrections import withdraw
        from logbench.recording.reader import open_recording

        with _one_at_a_time:
            withdraw(self.path, open_recording(self.path).facts, self.gone, _keeper(self.path))
            return open_recording(self.path).facts


def _keeper(recording: Path) -> Keep:
    """What writes the notes beside a recording: where it lies in a job, with an entry of its
    ledger."""
    from logbench.job.folder import JobFolder, job_folder_of
    from logbench.recording.storage import write_whole

    home = job_folder_of(recording)
    return write_whole if home is None else JobFolder(home).keep_notes


@dataclass(frozen=True)
class ExportSpan(Deed[Path]):
    """The samples of some signals between two times as a wide CSV, in the units shown; a file that
    is there is replaced, by a whole one only: canceled, it stays. Raises `StorageError`."""

    canceling: ClassVar[Canceling] = "drop"

    path: Path
    recording: Recording
    signals: Sequence[str]
    start_ns: float
    end_ns: float
    """The end is included."""
    units: Units = METRIC
    notes: Sequence[Remark] = ()
    """Those that overlap the span are written into a column of their own."""
    private: bool = False
    """Without them, and without signals that `recording/privacy.py` does not let go along."""

    def run(self, work: Work) -> Path:
        """The file written."""
        from logbench.analysis.grid import with_computed
        from logbench.recording.export import Selection, export_csv
        from logbench.recording.privacy import is_public, private_recording

        recording, signals = self.recording, tuple(self.signals)
        units, notes = self.units, self.notes
        if self.private:
            recording, signals = private_recording(recording), tuple(filter(is_public, signals))
            notes = ()
        recording = with_computed(recording, signals)
        after_s = (self.end_ns + 1) / 1e9
        span = Selection(signals, self.start_ns / 1e9, after_s)
        told = work.telling(tr("Exporting {name}", name=self.path.name))
        return export_csv(
            recording, self.path, span, units=units, remarks=notes, replaces=True, told=told
        )

    def untouched(self) -> str:
        """What is there, and the recording."""
        source = self.recording.path
        return not_written(self.path, source.name if source is not None else tr("the recording"))

    def outcome(self, answer: Path) -> Outcome:
        """Where it is."""
        return Outcome(tr("Written to {path}", path=answer))
