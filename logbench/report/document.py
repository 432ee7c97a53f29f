"""The report of a job: one document, as a PDF or as a single HTML page.

`build_report(folder, job, path, options)` is all that the window and the command line need;
`report_sentences` gives the sentences that a person may rewrite first.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from logbench.car.known import KnownCars
from logbench.errors import UsageError
from logbench.foreign import joined
from logbench.job.folder import JobFolder
from logbench.job.model import Job
from logbench.job.times import short_time
from logbench.recording.storage import write_whole
from logbench.report import sections
from logbench.report.blocks import Document
from logbench.report.front import fronts
from logbench.report.gather import Material, Told, gather, untold
from logbench.report.options import ReportOptions
from logbench.report.sentences import sentences
from logbench.report.typeset import render_html, render_pdf
from logbench.words import speaking, tr

SUFFIXES = (".pdf", ".html", ".htm")


def build_report(
    folder: JobFolder,
    job: Job,
    path: Path,
    options: ReportOptions | None = None,
    known: KnownCars | None = None,
    told: Told = untold,
    writing: Callable[[], object] = lambda: None,
) -> Document:
    """Write the report of a job to `path`; its ending chooses PDF or HTML. `told`: gets what is
    being done and the share done; `writing`: called before the file is written. What they raise
    ends the work, and nothing is written.

    Gives the document, whose `problems` say what is missing from it. Raises UsageError for another
    ending, StorageError when `path` cannot be written, BandsError.
    """
    suffix_of(path)
    material = gather(folder, job, options or ReportOptions(), known, told)
    return write_report(material, path, told, writing)


def suffix_of(path: Path) -> str:
    """What a report's name ends in. Raises UsageError where it is none of `SUFFIXES`."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(f"A report ends in .pdf or .html, not in {suffix or 'nothing'!r}.")
    return suffix


def write_report(
    material: Material,
    path: Path,
    told: Told = untold,
    writing: Callable[[], object] = lambda: None,
) -> Document:
    """The same of what was gathered."""
    told(tr("Setting the pages"), 0.9)
    with speaking(material.options.language):
        document = make_document(material)
        if suffix_of(path) == ".pdf":
            data = render_pdf(document, material.options.paper)
        else:
            data = render_html(document).encode()
    writing()
    write_whole(path, data)
    return document


def report_sentences(
    folder: JobFolder,
    job: Job,
    options: ReportOptions | None = None,
    known: KnownCars | None = None,
) -> dict[str, str]:
    """The sentences for the owner by key, as they will be printed; rewrite them in
    `job.sentences`."""
    chosen = options or ReportOptions()
    with speaking(chosen.language):
        return sentences(gather(folder, job, chosen, known))


def make_document(material: Material) -> Document:
    """The first page, and all wanted sections."""
    job, options = material.job, material.options
    vehicle = job.vehicle.label or job.vehicle.name
    title = "Diagnosis report"
    shop = (options.shop_name, *options.shop_lines)
    when = short_time(job.created_utc)[:10]
    subtitle = joined(" · ", job.title, vehicle if vehicle != job.title else "", when)
    first, *shorter = fronts(material)
    return Document(
        title=title,
        subtitle=subtitle,
        front=first,
        shorter=tuple(shorter),
        blocks=() if options.audience == "owner" else tuple(sections.appendix(material)),
        shop=() if options.private else tuple(filter(None, shop)),
        logo=material.logo,
        foot=joined(" · ", job.title or title, material.number, material.software),
        problems=tuple(material.problems),
        mark=material.seal.mark,
        undated=options.private,
    )
