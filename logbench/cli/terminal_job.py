"""What `logbench job …` does and prints."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from logbench.errors import StorageError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from logbench.job.model import Job, Role
    from logbench.vehicle.records.diff import CodeChange
    from logbench.vehicle.records.model import CarReading


def new_job(
    folder: Path,
    console: Console,
    *,
    title: str = "",
    concern: str = "",
    label: str = "",
    vin: str = "",
    displacement_l: float | None = None,
    cylinders: int | None = None,
    odometer_km: float | None = None,
    customer: str = "",
    technician: str = "",
) -> None:
    """Make `folder` with its job file. Raises StorageError, UsageError when it exists."""
    from pydantic import ValidationError

    from logbench.job.folder import create_job
    from logbench.job.model import Customer, Job, JobVehicle
    from logbench.job.names import safe_name

    folder = folder.resolve()
    if folder.exists():
        raise UsageError(f"{folder} exists already: name a folder that does not.")
    if safe_name(folder.name) != folder.name:
        raise UsageError(
            f"{folder.name!r} is no name for every file system: try {safe_name(folder.name)!r}."
        )
    try:
        job = Job(
            title=title or folder.name,
            concern=concern,
            technician=technician,
            customer=Customer(name=customer),
            vehicle=JobVehicle(
                label=label,
                vin=vin.upper(),
                displacement_l=displacement_l,
                cylinders=cylinders,
                odometer_km=odometer_km,
                odometer_source="" if odometer_km is None else "typed",
            ),
        )
    except ValidationError as error:
        first = error.errors()[0]
        where = " ".join(str(part) for part in first["loc"])
        raise UsageError(f"The job's {where} is not taken: {first['msg']}.") from error
    if not folder.parent.is_dir():
        raise StorageError(f"There is no folder {folder.parent}: make it first.")
    made, _ = create_job(folder.parent, folder.name, job)
    _say(console, f"Job made: {made.path}")


def show_job(path: Path, console: Console) -> None:
    """Print the job as a page. Raises JobError."""
    from logbench.job.folder import open_job
    from logbench.job.model import RESTRAINT_CAUTION
    from logbench.job.timeline import timeline
    from logbench.job.times import local_text

    folder, job = open_job(path)
    _say(console, job.title or folder.path.name, "bold")
    for name, text in _facts(job):
        _say(console, f"{name}: {text}")
    if job.restraint_work:
        _say(console, RESTRAINT_CAUTION, "yellow")
    _say(console, "")
    for moment in timeline(job, folder):
        when = local_text(moment.when) if moment.when else "time not known  "
        words = " ".join(part for part in (moment.text, moment.file) if part)
        _say(console, f"{when}  {moment.kind}: {words}".rstrip(": "))


def _facts(job: Job) -> Iterable[tuple[str, str]]:
    car = job.vehicle
    odometer = f"{car.odometer_km:,.0f} km ({car.odometer_source})" if car.odometer_km else ""
    parts = (car.label, car.name, car.registration, car.vin, car.engine, odometer)
    found = (
        ("Concern", job.concern),
        ("Customer", job.customer.name),
        ("Car", ", ".join(part for part in parts if part)),
        ("Agreed", job.agreement),
        ("Conclusion", job.conclusion),
    )
    return [(name, text) for name, text in found if text]


def read_job_car(path: Path, url: str, role: str, console: Console) -> int:
    """Read the car into the job and print it; 0, or 1 when something could not be read.

    Raises LinkError, JobError, StorageError.
    """
    from logbench.job.car import bring_over, reach_car, read_into
    from logbench.job.folder import open_job
    from logbench.job.model import Job

    chosen = _role(role)
    folder, job = open_job(path)
    scratch = Job()
    with reach_car(url, _progress(console)) as link:
        reading = read_into(folder, scratch, link, chosen, _progress(console))
    bring_over(job, scratch)
    folder.save(job)
    print_reading(reading, console)
    _say(console, f"Kept as {scratch.readings[0].file}, {chosen}.")
    return 0 if reading.complete and not reading.problems else 1


def add_to_job(path: Path, files: Sequence[Path], role: str, label: str, console: Console) -> None:
    """Copy files in: recordings with their role, the rest as photos or files.

    What was taken in before a file that cannot be stays. Raises JobError, RecordingError,
    StorageError.
    """
    from logbench.job.folder import open_job

    chosen = _role(role)
    folder, job = open_job(path)
    try:
        for file in files:
            if file.suffix.lower() == ".parquet":
                taken = folder.add_recording(job, file, chosen, label).file
                _say(console, f"Added {taken}, {chosen}")
            else:
                _say(console, f"Added {folder.add_photo(job, file, label).file}")
    finally:
        folder.save(job)


def clear_job_car(
    path: Path, url: str, consent: str | None, console: Console, ask: Callable[[str], str]
) -> int:
    """Say what will be lost, ask, read and save, clear, read back; 0, or 1 if no ECU cleared.

    `consent` None: asked for with `ask(prompt)`. Raises ClearingRefusedError with nothing cleared,
    LinkError, JobError, StorageError.
    """
    from logbench.job.car import bring_over, clear_into, reach_car
    from logbench.job.folder import open_job
    from logbench.job.model import Job
    from logbench.vehicle.records.clearing import CONSENT, LOSSES, STAYS

    folder, job = open_job(path)
    _say(console, "Clearing the codes loses:", "bold")
    for loss in LOSSES:
        _say(console, f"  - {loss}")
    _say(console, STAYS)
    _say(console, "The vehicle must be at rest, its engine off or idling; all is read and saved")
    _say(console, "first, and nothing is cleared when that fails.")
    if consent is None:
        _say(console, f"To go on, type these words: {CONSENT}")
        consent = ask("Consent").strip()
    scratch = Job()
    try:
        with reach_car(url, _progress(console)) as link:
            result = clear_into(folder, scratch, link, consent, _progress(console))
    finally:
        if scratch.readings:
            bring_over(job, scratch)
            folder.save(job)
    _say(console, result.sentence, "bold")
    if result.after is not None:
        _print_codes(result.after, console)
    return 0 if result.accepted else 1


def job_sides(
    path: Path, before: Sequence[Path], after: Sequence[Path]
) -> tuple[list[Path], list[Path]]:
    """Files of the job to compare. Raises UsageError while a side is missing, JobError."""
    from logbench.job.comparisons import chosen_sides
    from logbench.job.folder import open_job

    return chosen_sides(*open_job(path), before, after)


def keep_job_comparison(
    path: Path,
    sides: tuple[list[Path], list[Path]],
    sentence: str,
    console: Console,
    *,
    label: str = "",
    same_car: bool = False,
) -> None:
    """Enter a comparison of the job's recordings in it. Raises JobError, StorageError."""
    from logbench.job.comparisons import keep_comparison, sides_named
    from logbench.job.folder import open_job

    folder, job = open_job(path)
    named = sides_named(folder, job, *sides)
    if named is None:
        raise UsageError("The recordings were taken out of the job meanwhile: nothing was kept.")
    keep_comparison(job, named, sentence, label, same_car)
    folder.save(job)
    _say(console, "Kept in the job.", "dim")


def diff_job(path: Path, console: Console) -> None:
    """Print what changed between the readings. Raises UsageError while one is missing."""
    from logbench.job.car import job_diff
    from logbench.job.folder import open_job

    folder, job = open_job(path)
    diff = job_diff(folder, job)
    if diff is None:
        raise UsageError(
            "There is no reading before and after in this job yet: make them with "
            "`logbench job read --role before` and `--role after`."
        )
    for warning in diff.warnings:
        _say(console, warning, "yellow")
    _say(console, diff.sentence, "bold")
    for outcome, changes in diff.outcomes:
        for change in changes:
            _say(console, f"{outcome.capitalize()}: {change_text(change)}")
    for title, names in (("Run since", diff.monitors_run), ("Reset", diff.monitors_reset)):
        for name in names:
            _say(console, f"{title}: {name}")


def change_text(change: CodeChange) -> str:
    """A code with where it was and is."""
    before, after = (" and ".join(states) or "none" for states in (change.before, change.after))
    return f"{change.code} ({change.ecu}) {change.text}: {before}, then {after}".replace(
        " : ", ": "
    )


def print_reading(reading: CarReading, console: Console) -> None:
    """Identity, codes, readiness, monitor results, problems and remarks."""
    from logbench.vehicle.records.readiness import missing_sentence

    who = reading.identity
    _say(console, f"VIN: {who.vin or 'not told'}  {who.protocol}".rstrip(), "bold")
    for trouble in (who.vin_problem, who.vin_notice):
        if trouble:
            _say(console, trouble, "yellow")
    _print_codes(reading, console)
    for frame in reading.freeze_frames:
        count = len(frame.values)
        _say(console, f"Freeze frame {frame.number} of {frame.ecu}: {frame.code}, {count} values")
    if not reading.freeze_frames and reading.answered.get("freeze frames"):
        _say(console, "No freeze frame is stored.")
    for entry in reading.readiness:
        if entry.monitors:
            _say(console, missing_sentence(entry))
    for result in reading.monitor_results:
        if result.passed is False:
            _say(console, f"Failed: {result.ecu} {result.monitor}, {result.test}", "red")
    for sentence in (*reading.problems, *reading.remarks):
        _say(console, sentence, "yellow")


def _print_codes(reading: CarReading, console: Console) -> None:
    from logbench.vehicle.records.model import STATES

    for state in STATES:
        codes = reading.codes_in(state)
        if not reading.codes_known(state):
            _say(console, f"{state.title()} codes: not known, no ECU answered.")
        elif not codes:
            _say(console, f"{state.title()} codes: none.")
        for code in codes:
            _say(console, f"{state.title()}: {code.code} ({code.ecu}) {code.text}".rstrip())


def _role(text: str) -> Role:
    from logbench.job.model import Role

    for role in get_args(Role):
        if role == text.strip().lower():
            return role  # type: ignore[no-any-return]
    raise UsageError(f"A role is before, after or other, not {text!r}.")


def _progress(console: Console) -> Callable[[str], None]:
    return lambda sentence: _say(console, sentence, "dim")


def _say(console: Console, text: str, style: str = "") -> None:
    """One line of plain text: what a job or a car says is never markup, nor a control."""
    from logbench.job.model import clean_text

    console.print(clean_text(text), style=style or None, markup=False, highlight=False)
