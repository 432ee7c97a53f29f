"""`logbench job …`: the folder of a repair, and the car's own records in it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from logbench.cases.work import run_here
from logbench.cli.options import CHANGED, ArchivePlace, SameCar, archive_of, make_group
from logbench.cli.report import (
    Audience,
    For,
    Language,
    Letter,
    Logo,
    Sections,
    Shop,
    Us,
    options_of,
)
from logbench.cli.show import run_shown, say, warn
from logbench.errors import LogbenchError, StorageError, UsageError
from logbench.vehicle.links.schemes import forms

if TYPE_CHECKING:
    from logbench.job.model import Role

job_app = make_group(
    "job", "The folder of a repair: concern, readings of the car, recordings, what changed."
)

Folder = Annotated[Path, typer.Argument(help="The job's folder.")]
LinkUrl = Annotated[str, typer.Option("--link", help=f"The way to the car: {forms()}.")]
RoleName = Annotated[str, typer.Option(help="before, after or other.")]


@job_app.command("new")
def new_command(
    folder: Annotated[Path, typer.Argument(help="The folder to make.")],
    title: Annotated[str, typer.Option(help="The job's title; left out: the folder's name.")] = "",
    concern: Annotated[str, typer.Option(help="What the customer complains of.")] = "",
    vehicle_label: Annotated[str, typer.Option(help="A name for the car, or its plate.")] = "",
    vin: Annotated[str, typer.Option(help="Vehicle identification number.")] = "",
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in liters.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    odometer: Annotated[float | None, typer.Option(help="Odometer, km, as read.")] = None,
    customer: Annotated[str, typer.Option(help="Who brought the car.")] = "",
    technician: Annotated[str, typer.Option(help="Who works on it.")] = "",
) -> None:
    """Make the folder of a new job."""
    from logbench.car.identity import check_vin
    from logbench.job.folder import create_job
    from logbench.job.model import Job
    from logbench.job.names import safe_name
    from logbench.job.typed import set_values

    folder = folder.resolve()
    if folder.exists():
        raise UsageError(f"{folder} exists already: name a folder that does not.")
    if safe_name(folder.name) != folder.name:
        raise UsageError(
            f"{folder.name!r} is not a name for every file system: try {safe_name(folder.name)!r}."
        )
    job = Job()
    given = {
        "title": title or folder.name,
        "concern": concern,
        "technician": technician,
        "customer.name": customer,
        "vehicle.label": vehicle_label,
        "vehicle.vin": vin,
        "vehicle.displacement_l": displacement,
        "vehicle.cylinders": cylinders,
        "vehicle.odometer_km": odometer,
    }
    set_values(job, {path: value for path, value in given.items() if value not in ("", None)})
    warn(check_vin(vin).notice if vin else "")
    if not folder.parent.is_dir():
        raise StorageError(f"There is no folder {folder.parent}: make it first.")
    made, _ = create_job(folder.parent, folder.name, job)
    say(f"Job made: {made.path}")


@job_app.command("show")
def show_command(folder: Folder) -> int:
    """Show a job: whether it is as it entered its ledger, car, concern, what it holds, its
    timeline. Exit code 5 where it was changed."""
    from logbench.cases.evidence import verify_job
    from logbench.cases.job import load_timeline
    from logbench.cli import show_job
    from logbench.cli.evidence import show_seal
    from logbench.job.folder import open_job

    home, job = open_job(folder)
    moments = run_here(load_timeline(home, job))
    seal = run_here(verify_job(home))
    show_seal(seal)
    show_job.job(job, job.title or home.path.name, moments)
    return CHANGED if seal.state == "changed" else 0


@job_app.command("read")
def read_command(
    folder: Folder, link: LinkUrl, role: RoleName = "before", same_car: SameCar = False
) -> int:
    """Read everything the car has stored and keep it; exit code 1 when it is incomplete."""
    from logbench.cases.job import ReadCar
    from logbench.cli import show_job
    from logbench.job.folder import open_job
    from logbench.job.store import JobStore

    chosen = _role(role)
    home, _ = open_job(folder)
    reading = run_here(ReadCar(JobStore(), home.path, link, chosen, same_car=same_car), _progress)
    show_job.reading(reading)
    say(f"Kept as {home.load().readings[-1].file}, {chosen}.")
    return 0 if reading.complete and not reading.problems else 1


@job_app.command("add")
def add_command(
    folder: Folder,
    files: Annotated[list[Path], typer.Argument(help="Recordings, photos or other files.")],
    role: RoleName = "other",
    label: Annotated[str, typer.Option(help="Label or caption.")] = "",
    same_car: SameCar = False,
) -> int:
    """Copy recordings, photos and other files into a job."""
    from logbench.cases.job import AddFiles
    from logbench.job.folder import open_job
    from logbench.job.store import JobStore

    chosen = _role(role)
    home, _ = open_job(folder)
    added = run_here(
        AddFiles(JobStore(), home.path, tuple(files), chosen, label, same_car=same_car)
    )
    for file in added.recordings:
        say(f"Added {file}, {chosen}")
    for file in added.others:
        say(f"Added {file}")
    for problem in (*added.problems, *added.remarks):
        warn(problem)
    return LogbenchError.exit_code if added.problems else 0


@job_app.command("clear")
def clear_command(
    folder: Folder,
    link: LinkUrl,
    consent: Annotated[
        str | None, typer.Option(help="The words of consent, for scripts; left out: asked for.")
    ] = None,
    same_car: SameCar = False,
) -> int:
    """Clear the car's codes: says what will be lost, reads and saves first, asks for consent."""
    from logbench.cases.job import ClearCodes
    from logbench.cli import show_job
    from logbench.job.folder import open_job
    from logbench.job.store import JobStore
    from logbench.vehicle.gate import CONSENT
    from logbench.vehicle.records.clearing import LOSSES, STAYS

    home, _ = open_job(folder)
    say("Clearing the codes loses:", "bold")
    for loss in LOSSES:
        say(f"  - {loss}")
    say(STAYS)
    say("The vehicle must be at rest, its engine off or idling; all is read and saved")
    say("first, and nothing is cleared when that fails.")
    if consent is None:
        say(f"To go on, type these words: {CONSENT}")
        consent = str(typer.prompt("Consent", default="", show_default=False)).strip()
    result = run_here(
        ClearCodes(JobStore(), home.path, link, consent, same_car=same_car), _progress
    )
    say(result.sentence, "bold")
    show_job.change(result.change)
    if result.after is not None:
        show_job.codes(result.after)
    return 0 if result.change.accepted else 1


@job_app.command("diff")
def diff_command(folder: Folder) -> None:
    """Hold the car's reading before the work against the one after."""
    from logbench.cases.job import load_records
    from logbench.cli import show_job
    from logbench.job.folder import open_job

    records = run_here(load_records(*open_job(folder)))
    for problem in records.problems:
        warn(problem)
    if records.diff is None:
        raise UsageError(
            "There is no reading before and after in this job yet: make them with "
            "`logbench job read --role before` and `--role after`."
        )
    show_job.diff(records.diff)


@job_app.command("compare")
def compare_command(
    folder: Folder,
    before: Annotated[
        list[Path] | None, typer.Option("--before", help="A recording of the job; may be repeated.")
    ] = None,
    after: Annotated[
        list[Path] | None, typer.Option("--after", help="A recording of the job; may be repeated.")
    ] = None,
    label: Annotated[str, typer.Option(help="A name for this comparison.")] = "",
    same_car: SameCar = False,
    archive: ArchivePlace = None,
) -> int:
    """Compare the job's recordings and keep what it says; left out: all of a side by their role.

    Exit codes as of `logbench compare`, and 5 where the job was changed.
    """
    from logbench.cases.compare import compare_files
    from logbench.cases.evidence import verify_job
    from logbench.cases.job import KeepComparison
    from logbench.cli.compare import confirm, show_compared
    from logbench.cli.evidence import show_seal
    from logbench.job.comparisons import chosen_sides
    from logbench.job.folder import open_job
    from logbench.job.store import JobStore

    home, job = open_job(folder)
    seal = run_here(verify_job(home))
    if seal.notable:
        show_seal(seal)
    first, second = map(tuple, chosen_sides(home, job, before or [], after or []))
    compared = run_shown(compare_files(first, second, archive_of(archive, folder)))
    confirm(compared, same_car)
    sentence = compared.result.summary
    kept = run_here(KeepComparison(JobStore(), first, second, sentence, label, same_car))
    code = show_compared(compared)
    if not kept:
        raise UsageError("The recordings were taken out of the job meanwhile: nothing was kept.")
    say("Kept in the job.", "dim")
    return CHANGED if seal.state == "changed" else code


@job_app.command("export")
def export_command(
    folder: Folder,
    out: Annotated[Path, typer.Option("--out", "-o", help="A new .zip file.")],
    shorten: Annotated[
        bool,
        typer.Option(
            "--shorten",
            help="Shorten names, plates and VINs; leave photos, files and raw exchanges out.",
        ),
    ] = False,
    letter: Letter = False,
    language: Language = "",
    us: Us = False,
    sections: Sections = "",
    audience: For = Audience.CLAIMS,
    shop: Shop = "",
    logo: Logo = None,
) -> int:
    """Pack job, ledger, public key, report and a page that verifies them into one file for third
    parties; exit code 5 where the job is not what entered its ledger."""
    from logbench.cases.handover import HandOver
    from logbench.cli.evidence import show_seal
    from logbench.job.folder import open_job

    options = options_of(letter, language, us, sections, audience, shop, logo)
    seal = run_shown(HandOver(open_job(folder)[0], out, options, shorten))
    show_seal(seal)
    say(f"Written to {out}")
    return CHANGED if seal.state == "changed" else 0


def _role(text: str) -> Role:
    from logbench.job.model import Role

    for role in get_args(Role):
        if role == text.strip().lower():
            return role  # type: ignore[no-any-return]
    raise UsageError(f"A role is before, after or other, not {text!r}.")


def _progress(sentence: str, _share: float) -> None:
    say(sentence, "dim")
