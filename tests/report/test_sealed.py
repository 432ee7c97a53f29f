"""What a report says of the job's seal: at the top of page one where something is changed, and the
ledger's head as text and as a code."""

from __future__ import annotations

from pathlib import Path

import pytest
import segno
from pypdf import PdfReader

from logbench.cases.job import WriteReport
from logbench.cases.work import run_here
from logbench.job.folder import JobFolder
from logbench.job.seal import Seal, head_text, seal_of
from logbench.report.drawing import BLACK, Box
from logbench.report.options import ReportOptions
from logbench.report.seal import seal_code
from tests.job.sealed import sealed_job


def pages(job: JobFolder, name: str = "r.pdf", **options: object) -> list[str]:
    path = job.path / name
    run_here(WriteReport(job, job.load(), path, ReportOptions(**options)))
    return [
        " ".join(page.extract_text().replace("\u200b", "").split())
        for page in PdfReader(path).pages
    ]


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    return sealed_job(tmp_path)


def test_a_changed_piece_is_named_at_the_top_of_page_one(job: JobFolder):
    assert "CHANGED" not in pages(job)[0]
    text = job.file.read_text("utf-8")
    job.file.write_text(text.replace("Hose looks split", "Hose looks good"), "utf-8")
    first = pages(job)[0]
    assert "This job was CHANGED since it was sealed." in first
    assert first.index("CHANGED") < first.index("Rough idle when cold")
    assert "2026-05-04" in first[first.index("CHANGED") : first.index("CHANGED") + 120]


def test_an_altered_reading_and_photo_are_named(job: JobFolder):
    for file in ("photos/hose.png", "readings/2026-05-04T070000Z-before.json"):
        with (job.path / file).open("ab") as added:
            added.write(b" ")
    told = " ".join(pages(job))
    assert "photos/hose.png was altered" in told
    assert "readings/2026-05-04T070000Z-before.json was altered" in told


def test_the_head_stands_in_the_report(job: JobFolder):
    seal = seal_of(job)
    told = "".join(" ".join(pages(job)).split())
    assert head_text(seal.head).replace(" ", "") in told
    assert "Sealedsince" in told


def test_a_private_report_shows_no_head(job: JobFolder):
    told = " ".join(pages(job, private=True))
    assert "Ledger" not in told
    assert "ealed" not in told


def test_the_code_holds_the_mark(job: JobFolder):
    """Module by module what the code of the mark is."""
    seal = seal_of(job)
    chart = seal_code(seal)
    assert chart is not None
    made = segno.make(seal.mark, error="m", micro=False)
    side = made.symbol_size(border=0)[0]
    drawn = [[0] * side for _ in range(side)]
    for mark in chart.marks:
        if isinstance(mark, Box) and mark.fill == BLACK:
            row = side + 4 - round(mark.y / 2) - 1
            for column in range(round(mark.x / 2) - 4, round((mark.x + mark.width) / 2) - 4):
                drawn[row][column] = 1
    assert drawn == [list(row) for row in made.matrix]
    assert head_text(seal.head) in chart.words
    assert seal_code(Seal()) is None
