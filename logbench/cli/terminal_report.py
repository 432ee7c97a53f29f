"""What `logbench report JOB` does: writes the report of a job and says what is missing from it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from logbench.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from logbench.report.options import Section


def report_job(
    job_path: Path,
    out: Path | None,
    console: Console,
    *,
    paper: Literal["A4", "letter"] = "A4",
    units: Literal["metric", "us"] = "metric",
    sections: str = "",
    short: bool = False,
    shop: str = "",
    logo: Path | None = None,
    private: bool = False,
    bands: Path | None = None,
) -> int:
    """Write the report of the job in folder `job_path`, by default `report.pdf` in that folder.

    `sections`: names with commas between; '' is all. `shop`: name and lines, with `|` between.
    `private`: VIN and names shortened. Returns 0, or 1 when something could not be put in (each
    with its sentence). Raises LogbenchError.
    """
    from logbench.job.folder import open_job
    from logbench.report.document import build_report
    from logbench.report.options import SECTIONS, ReportOptions, sections_from

    chosen: tuple[Section, ...] = sections_from(sections) if sections else SECTIONS
    lines = [line.strip() for line in shop.split("|")]
    if len(lines) > 7:
        raise UsageError("Give the shop's name and at most six lines, with | between them.")
    folder, job = open_job(job_path)
    path = out or folder.path / "report.pdf"
    options = ReportOptions(
        paper=paper,
        units=units,
        sections=chosen,
        short=short,
        shop_name=lines[0],
        shop_lines=tuple(lines[1:]),
        logo=logo,
        shorten_vin=private,
        shorten_names=private,
        bands_file=bands,
    )
    document = build_report(folder, job, path, options)
    for problem in document.problems:
        console.print(problem, style="yellow", markup=False, highlight=False)
    console.print(f"Report written: {path}", markup=False, highlight=False)
    return 1 if document.problems else 0
