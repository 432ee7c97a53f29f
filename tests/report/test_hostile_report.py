"""A job that holds hostile text in every field has the report of a harmless one: the same elements,
nothing loaded, all of the text as text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PdfReader

from logbench.foreign import in_label
from logbench.job.folder import open_job
from logbench.report.document import build_report
from tests.hostile import HOSTILE, HOSTILE_IDS, PROBE, assert_plain, job_with

HARMLESS = "blue van"


class Elements(HTMLParser):
    """Elements without line ends, attributes that could load or run, and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "br":
            self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def page_of(folder: Path, text: str) -> Elements:
    folder.mkdir()
    opened, job = open_job(job_with(folder, text))
    build_report(opened, job, folder / "r.html")
    return Elements((folder / "r.html").read_text(encoding="utf-8"))


@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_the_page_has_the_elements_of_a_harmless_one(text: str, tmp_path: Path):
    harmless, hostile = page_of(tmp_path / "a", HARMLESS), page_of(tmp_path / "b", text)
    assert set(hostile.tags) == set(harmless.tags)  # a long text is cut on page one, and told again
    names = {name for name, _ in hostile.attributes}
    assert names == {name for name, _ in harmless.attributes}
    assert not [v for n, v in hostile.attributes if n in ("src", "href") and PROBE in str(v)]
    assert_plain(hostile.text, lines=True)
    shown, whole = in_label(text).rstrip("…")[:60], re.sub(r"\s+", " ", hostile.text)
    assert shown in whole


@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_the_pdf_is_whole_and_its_text_is_text(text: str, tmp_path: Path):
    opened, job = open_job(job_with(tmp_path, text))
    build_report(opened, job, tmp_path / "r.pdf")
    pdf = PdfReader(tmp_path / "r.pdf")
    assert not [page for page in pdf.pages if "/Annots" in page]
    assert "/OpenAction" not in pdf.trailer["/Root"]
    assert "Diagnosis report" in pdf.pages[0].extract_text()
