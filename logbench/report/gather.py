"""Everything a report draws on, opened and computed once; what cannot be opened is a sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from logbench.analysis.bands import Bands, Limits, load_bands, load_limits
from logbench.analysis.causes.inference import explain
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.observations import of_one_car
from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.results import Comparison
from logbench.analysis.engine import Engine
from logbench.analysis.model import ConditionSpan, Finding, Verdict
from logbench.analysis.repeats import Repeats
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.archive.repeats import repeats_in
from logbench.car.identity import Match
from logbench.car.known import KnownCars
from logbench.errors import JobDamagedError, JobError, RecordingError, StorageError
from logbench.foreign import raw
from logbench.job.comparisons import drives_before, first_and_last
from logbench.job.folder import JobFolder
from logbench.job.model import ComparisonEntry, Job, RecordingEntry, Role, now_utc
from logbench.job.pictures import read_picture
from logbench.job.privacy import private_job, private_reading, stand_ins
from logbench.job.seal import Seal, seal_of
from logbench.recording.notes import Remark, read_remarks
from logbench.recording.privacy import private_recording
from logbench.recording.reader import Recording
from logbench.recording.storage import file_sha256
from logbench.report.blocks import Picture
from logbench.report.options import ReportOptions
from logbench.signals.units import Units
from logbench.system.version import SOFTWARE
from logbench.vehicle.records.diff import ReadingDiff, diff_readings
from logbench.vehicle.records.model import CarReading
from logbench.vehicle.records.read import low_supply_remark
from logbench.words import tr

SIDE_PX = 1200

UNSAID = (
    "Some of the job is not in this report, or not compared; a report with personal data says what "
    "and why."
)
TWO_CARS = "The two readings are of two cars by what each says of itself."


@dataclass(frozen=True, slots=True)
class Drive:
    """One recording of the job with what the checks say. `sha256`: of the file as it is now."""

    entry: RecordingEntry
    recording: Recording
    findings: tuple[Finding, ...]
    conditions: tuple[ConditionSpan, ...]
    sha256: str
    view: View
    remarks: tuple[Remark, ...] = ()
    """Markers, notes and events, in order of time."""

    @property
    def altered(self) -> bool:
        """Whether the file is not the one that was added to the job."""
        return bool(self.entry.sha256) and self.entry.sha256 != self.sha256


@dataclass(slots=True)
class Material:
    """What the sections are made of."""

    job: Job
    options: ReportOptions
    software: str
    bands: Bands
    drives: list[Drive] = field(default_factory=list)
    before: CarReading | None = None
    """The first reading of the car marked 'before', and the last one marked 'after'."""
    after: CarReading | None = None
    diff: ReadingDiff | None = None
    comparison: Comparison | None = None
    compared: ComparisonEntry | None = None
    """The entry of the job that says which sides; None: all drives by their role."""
    causes: Causes | None = None
    """Of the drives before the repair, the reading and the complaints, without hand tests; None
    where there is nothing to weigh."""
    engine: Engine = field(default_factory=Engine)
    photos: list[Picture] = field(default_factory=list)
    logo: Picture | None = None
    made_utc: str = ""
    """When the report was made; empty for a private one."""
    remarks: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    seal: Seal = field(default_factory=Seal)
    """Whether the job is what entered its ledger; of a private report nothing is said."""

    def drives_of(self, role: str) -> list[Drive]:
        """Drives of one role, in the job's order."""
        return [drive for drive in self.drives if drive.entry.role == role]

    @property
    def number(self) -> str:
        """The report's number: of its job and of when it was made, to the minute."""
        when = "".join(filter(str.isdigit, self.made_utc))[:12]
        return f"{self.job.job_id[:8]}-{when}" if when else ""

    @property
    def units(self) -> Units:
        """The units wanted."""
        return Units(us=self.options.units == "us")


Told = Callable[[str, float], object]
"""Gets what is being done, and the share done, 0 to 1."""


def untold(what: str, share: float) -> None:
    """For whoever does not want to know."""


def gather(
    folder: JobFolder,
    job: Job,
    options: ReportOptions,
    known: KnownCars | None = None,
    told: Told = untold,
) -> Material:
    """Open, check and compare by the user's own limits; damaged parts, and those of another car as
    judged with those `known`, become `problems`. A private report knows nothing else than what
    `job/privacy.py` lets go along, and is judged by the program's own limits."""
    known = known or KnownCars()
    private = options.private
    limits = Limits(load_bands()) if private else load_limits()
    material = Material(private_job(job) if private else job, options, SOFTWARE, limits.bands)
    material.made_utc = "" if private else now_utc()
    names = stand_ins(job) if private else {}
    if limits.problem:
        material.problems.append(limits.problem)
    car = job.vehicle.model_copy(deep=True)
    said = [c for c in job.comparisons if c.same_car]
    confirmed = {file for c in said for file in (*c.before, *c.after)}
    repeats = partial(repeats_in, "" if private else options.archive, known)
    for number, entry in enumerate(job.recordings):
        told(tr("Checking {file}", file=entry.file), 0.6 * number / len(job.recordings))
        try:
            recording = folder.recording(entry)
            found = known.judge_car(car, recording.facts.identity)
            if found.match is Match.OTHER and not entry.same_car and entry.file not in confirmed:
                material.problems.append(
                    f"The recording {entry.file} is not in this report, for it is not of the job's "
                    f"car. {found.sentence} Take it out of the job, or add it anew as the same car."
                )
                continue
            car.learn(recording.facts.car)  # the next is held against it, too
            own = repeats([recording.facts])
            drive = _drive(recording, entry, limits.bands, own, private=private)
            sha256 = file_sha256(folder.place(entry.file))
        except (RecordingError, JobError, StorageError) as error:
            material.problems.append(f"The recording {entry.file} is not in this report: {error}")
            continue
        remarks, problem = read_remarks(drive.recording)
        if problem:
            material.problems.append(f"Notes on {entry.file} are not in this report: {problem}")
        shown = entry.model_copy(update={"file": names.get(entry.file, entry.file)})
        if private:
            shown.label = ""
        material.drives.append(replace(drive, entry=shown, sha256=sha256, remarks=remarks))
    _readings(folder, job, material, known)
    told(tr("Comparing before with after"), 0.6)
    _explain(material)
    _compare(material, known, repeats)
    if not private:
        _pictures(folder, material)
        material.seal = seal_of(folder)
    _remarks(material)
    if private and material.problems:
        material.problems[:] = [UNSAID]
    return material


def _drive(
    recording: Recording, entry: RecordingEntry, bands: Bands, repeats: Repeats, *, private: bool
) -> Drive:
    shown = private_recording(recording) if private else recording
    view = View(shown)
    return Drive(
        entry=entry,
        recording=shown,
        findings=tuple(run_checks(view, bands, repeats=repeats)),
        conditions=view.conditions.spans,
        sha256="",
        view=view,
    )


def _readings(folder: JobFolder, job: Job, material: Material, known: KnownCars) -> None:
    found: list[tuple[Role, CarReading]] = []
    for entry in job.readings:
        try:
            found.append((entry.role, folder.reading(entry)))
        except JobDamagedError as error:
            material.problems.append(str(error))
    before, after = first_and_last(found)
    cars = Match.UNKNOWN
    if before is not None and after is not None:
        cars = known.judge_car(before.car, after.car.identified).match
    if material.options.private:
        before, after = (reading and private_reading(reading) for reading in (before, after))
    material.before, material.after = before, after
    if before is not None and after is not None:
        material.diff = diff_readings(before, after, known=known)
        if material.options.private and cars is Match.OTHER:
            material.diff.warnings.append(TWO_CARS)


def _explain(material: Material) -> None:
    entries = drives_before([drive.entry for drive in material.drives])
    drives = [drive for drive in material.drives if drive.entry in entries]
    job, findings = material.job, of_one_car([drive.findings for drive in drives])
    if drives:
        material.engine = drives[-1].view.engine
    if drives or material.before is not None or job.symptoms or job.tests:
        symptoms = tuple(map(raw, job.symptoms))
        material.causes = explain(findings, material.engine, material.before, symptoms)


def _compare(material: Material, known: KnownCars, repeats: Callable[..., Repeats]) -> None:
    """The last comparison of the job, or all drives before against all after."""
    sides = [material.drives_of("before"), material.drives_of("after")]
    if material.job.comparisons:
        chosen = material.compared = material.job.comparisons[-1]
        by_file = {drive.entry.file: drive for drive in material.drives}
        missing = [file for file in (*chosen.before, *chosen.after) if file not in by_file]
        if missing:
            material.problems.append(
                "The comparison kept in the job is not in this report, for it needs "
                f"{', '.join(missing)}: compare again with the recordings that are there."
            )
            return
        sides = [[by_file[file] for file in files] for files in (chosen.before, chosen.after)]
    if not all(sides):
        return
    before, after = ([drive.view for drive in side] for side in sides)
    own = repeats(*([view.facts for view in side] for side in (before, after)))
    result = compare(before, after, material.bands, known=known, repeats=own)
    if result.needs_confirmation and not (material.compared and material.compared.same_car):
        why = " ".join(concern.text for concern in result.concerns if concern.confirm)
        material.problems.append(
            f"Before and after are not compared in this report, for they may be different cars. "
            f"{why} Compare them on the Compare page and say that it is one car, if it is."
        )
        return
    material.comparison = result


def _pictures(folder: JobFolder, material: Material) -> None:
    if material.options.has("photos"):
        for photo in material.job.photos:
            try:
                material.photos.append(load_picture(folder.place(photo.file), photo.caption))
            except JobError as error:
                material.problems.append(f"A photo is not in this report: {error}")
    if material.options.logo is not None:
        try:
            material.logo = load_picture(material.options.logo, "logo")
        except JobError as error:
            material.problems.append(f"The logo is not in this report: {error}")


def _remarks(material: Material) -> None:
    """Low supply, as read with the codes or recorded with the engine running."""
    for reading in (material.before, material.after):
        material.remarks += [] if reading is None else reading.remarks
    for drive in material.drives:
        remark = low_supply_remark(_running_v(drive.recording), running=True)
        if remark:
            material.remarks.append(f"In {drive.entry.file}: {remark}")
    material.remarks = list(dict.fromkeys(material.remarks))


def _running_v(recording: Recording) -> float | None:
    """The voltage that was undercut a tenth of the time with the engine running."""
    if "VPWR" not in recording or "RPM" not in recording:
        return None
    volts, rpm = recording.trace("VPWR"), recording.trace("RPM")
    if len(rpm) == 0:
        return None
    at = np.clip(np.searchsorted(rpm.t_ns, volts.t_ns), 0, len(rpm) - 1)
    running = volts.value[(rpm.value[at] > 400) & np.isfinite(volts.value)]
    return float(np.quantile(running, 0.1)) if len(running) >= 20 else None


def out_of_range(findings: Sequence[Finding]) -> list[Finding]:
    """`act` first, then `watch`; in the checks' order."""
    wanted = (Verdict.ACT, Verdict.WATCH)
    return [f for verdict in wanted for f in findings if f.verdict is verdict]


# --- pictures ---


def load_picture(path: Path, caption: str = "") -> Picture:
    """The picture of a file, at most `SIDE_PX` wide and high. Raises JobDamagedError."""
    made = read_picture(path, SIDE_PX)
    return Picture(made.jpeg(), made.width_px, made.height_px, caption)
