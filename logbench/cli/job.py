"""`logbench job …`: the folder of a repair, and the car's own records in it. A skin, like `cli`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from logbench.vehicle.links.schemes import forms

job_app = typer.Typer(
    help="The folder of a repair: concern, readings of the car, recordings, what changed.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Folder = Annotated[Path, typer.Argument(help="The job's folder.")]
LinkUrl = Annotated[str, typer.Option("--link", help=f"The way to the car: {forms()}.")]
RoleName = Annotated[str, typer.Option(help="before, after or other.")]


def _console() -> Console:
    return Console(highlight=False)


@job_app.command("new")
def new_command(
    folder: Annotated[Path, typer.Argument(help="The folder to make.")],
    title: Annotated[str, typer.Option(help="The job's title; left out: the folder's name.")] = "",
    concern: Annotated[str, typer.Option(help="What the customer complains of.")] = "",
    vehicle_label: Annotated[str, typer.Option(help="A name for the car, or its plate.")] = "",
    vin: Annotated[str, typer.Option(help="Vehicle identification number.")] = "",
    displacement: Annotated[
        float | None, typer.Option(min=0.05, max=30.0, help="Engine displacement in litres.")
    ] = None,
    cylinders: Annotated[
        int | None, typer.Option(min=1, max=16, help="Number of cylinders.")
    ] = None,
    odometer: Annotated[float | None, typer.Option(min=0, help="Odometer, km, as read.")] = None,
    customer: Annotated[str, typer.Option(help="Who brought the car.")] = "",
    technician: Annotated[str, typer.Option(help="Who works on it.")] = "",
) -> None:
    """Make the folder of a new job."""
    from logbench.cli.terminal_job import new_job

    new_job(
        folder,
        _console(),
        title=title,
        concern=concern,
        label=vehicle_label,
        vin=vin,
        displacement_l=displacement,
        cylinders=cylinders,
        odometer_km=odometer,
        customer=customer,
        technician=technician,
    )


@job_app.command("show")
def show_command(folder: Folder) -> None:
    """Show a job: car, concern, what it holds, its timeline."""
    from logbench.cli.terminal_job import show_job

    show_job(folder, _console())


@job_app.command("read")
def read_command(folder: Folder, link: LinkUrl, role: RoleName = "before") -> None:
    """Read everything the car has stored and keep it; exit code 1 when it is incomplete."""
    from logbench.cli.terminal_job import read_job_car

    raise typer.Exit(read_job_car(folder, link, role, _console()))


@job_app.command("add")
def add_command(
    folder: Folder,
    files: Annotated[list[Path], typer.Argument(help="Recordings, photos or other files.")],
    role: RoleName = "other",
    label: Annotated[str, typer.Option(help="Label or caption.")] = "",
) -> None:
    """Copy recordings, photos and other files into a job."""
    from logbench.cli.terminal_job import add_to_job

    add_to_job(folder, files, role, label, _console())


@job_app.command("clear")
def clear_command(
    folder: Folder,
    link: LinkUrl,
    consent: Annotated[
        str | None, typer.Option(help="The words of consent, for scripts; left out: asked for.")
    ] = None,
) -> None:
    """Clear the car's codes: says what will be lost, reads and saves first, asks for consent."""
    from logbench.cli.terminal_job import clear_job_car

    def ask(prompt: str) -> str:
        return str(typer.prompt(prompt, default="", show_default=False))

    raise typer.Exit(clear_job_car(folder, link, consent, _console(), ask))


@job_app.command("diff")
def diff_command(folder: Folder) -> None:
    """Hold the car's reading before the work against the one after."""
    from logbench.cli.terminal_job import diff_job

    diff_job(folder, _console())


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
    same_car: Annotated[
        bool, typer.Option("--same-car", help="It is one car, although the files differ.")
    ] = False,
) -> None:
    """Compare the job's recordings and keep what it says; left out: all of a side by their role.

    Exit codes as of `logbench compare`.
    """
    from logbench.cases.compare import CompareFiles
    from logbench.cases.work import run_here
    from logbench.cli.compare import show_compared
    from logbench.cli.terminal_job import job_sides, keep_job_comparison

    sides = job_sides(folder, before or [], after or [])
    compared = run_here(CompareFiles(tuple(sides[0]), tuple(sides[1])))
    code = show_compared(compared, same_car)
    keep_job_comparison(
        folder, sides, compared.result.summary, _console(), label=label, same_car=same_car
    )
    raise typer.Exit(code)
