"""`logbench report`: the report of a job, and what is missing from it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cli.options import CHANGED, ArchivePlace, Private, archive_of
from logbench.cli.show import run_shown, say
from logbench.errors import UsageError

if TYPE_CHECKING:
    from logbench.report.options import ReportOptions


class Audience(StrEnum):
    """Whom a report is for."""

    OWNER = "owner"
    TECHNICIAN = "technician"
    CLAIMS = "claims"


Letter = Annotated[bool, typer.Option("--letter", help="US letter instead of A4.")]
Language = Annotated[str, typer.Option(help="en, de, es; the user's own if left out.")]
Us = Annotated[bool, typer.Option("--us", help="US units instead of metric.")]
Sections = Annotated[str, typer.Option(help="Section names with commas; all if left out.")]
For = Annotated[
    Audience,
    typer.Option("--for", help="owner: one page; technician: all; claims: evidence, too."),
]
Shop = Annotated[str, typer.Option(help="Shop's name and lines, with | between.")]
Logo = Annotated[Path | None, typer.Option(help="The shop's logo (PNG or JPEG).")]


def report(
    job: Annotated[Path, typer.Argument(help="The job's folder.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="A .pdf or .html file.")] = None,
    letter: Letter = False,
    language: Language = "",
    us: Us = False,
    sections: Sections = "",
    audience: For = Audience.CLAIMS,
    shop: Shop = "",
    logo: Logo = None,
    private: Private = False,
    archive: ArchivePlace = None,
) -> int:
    """Write the report of a job, for the customer to keep. Exit code 1 where something is missing
    from it, 5 where the job is not what entered its ledger."""
    from logbench.cases.job import WriteReport
    from logbench.cli.evidence import show_seal
    from logbench.job.folder import open_job

    options = options_of(letter, language, us, sections, audience, shop, logo)
    options.private = private
    folder, content = open_job(job)
    options.archive = "" if private else archive_of(archive, job)
    path = out or folder.path / "report.pdf"
    written = run_shown(WriteReport(folder, content, path, options))
    changed = written.seal.state == "changed"
    if written.seal.notable:
        show_seal(written.seal)
    for problem in written.problems:
        say(problem, "yellow")
    say(f"Report written: {written.path}")
    return CHANGED if changed else int(bool(written.problems))


def options_of(
    letter: bool,
    language: str,
    us: bool,
    sections: str,
    audience: Audience,
    shop: str,
    logo: Path | None,
) -> ReportOptions:
    """What a report shall hold, as typed. Raises `UsageError`."""
    from logbench.report.options import SECTIONS, ReportOptions, sections_from

    name, *lines = (line.strip() for line in shop.split("|"))
    if len(lines) > 6:
        raise UsageError("Give the shop's name and at most six lines, with | between them.")
    return ReportOptions(
        paper="letter" if letter else "A4",
        units="us" if us else "metric",
        language=language,
        sections=sections_from(sections) if sections else SECTIONS,
        audience=audience.value,
        shop_name=name,
        shop_lines=tuple(lines),
        logo=logo,
    )
