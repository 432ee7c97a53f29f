"""A report for those who cannot see it, and for those who open it in twenty years: tags, language,
alternative texts, bookmarks, standards of the PDF; landmarks, scopes, captions of the page."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace

import html5lib
import pikepdf
import pytest
from pypdf import PdfReader

from logbench.report.blocks import Bullets, Document, Figure, Heading, Paragraph, Table
from logbench.report.document import make_document
from logbench.report.typeset import render_html, render_pdf


@pytest.fixture(scope="module")
def document(material) -> Document:
    return make_document(material)


@pytest.fixture(scope="module")
def pdf(document) -> pikepdf.Pdf:
    return pikepdf.open(io.BytesIO(render_pdf(document)))


def elements(node: pikepdf.Object) -> Iterator[pikepdf.Dictionary]:
    """All elements of the structure tree under one, in reading order."""
    if isinstance(node, pikepdf.Array):
        for child in node:
            yield from elements(child)
    elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
        yield node
        yield from elements(node.get("/K", pikepdf.Array()))


def kinds_of(pdf: pikepdf.Pdf) -> list[str]:
    return [str(e["/S"]) for e in elements(pdf.Root.StructTreeRoot["/K"])]


def test_it_says_which_standards_it_keeps(pdf, document):
    with pdf.open_metadata() as about:
        assert (about["pdfuaid:part"], about["pdfaid:part"], about["pdfaid:conformance"]) == (
            "1", "2", "A")  # fmt: skip
        assert about["dc:title"] == document.title
    assert pdf.Root.MarkInfo.Marked
    assert pdf.Root.ViewerPreferences.DisplayDocTitle
    assert str(pdf.Root.Lang) == "en"
    assert "/OutputIntents" in pdf.Root
    assert not pdf.is_encrypted


def test_every_font_is_inside(pdf):
    for page in pdf.pages:
        for font in page.get("/Resources", {}).get("/Font", {}).values():
            (inner,) = font.get("/DescendantFonts", [font])
            about = inner.FontDescriptor
            assert any(f"/FontFile{n}" in about for n in ("", 2, 3)), str(about.FontName)


def test_headings_are_tagged_and_are_the_bookmarks(pdf, document):
    kinds = kinds_of(pdf)
    headings = [b for b in (*document.front, *document.blocks) if isinstance(b, Heading)]
    assert sum(kind in ("/H1", "/H2", "/H3") for kind in kinds) >= len(headings)
    with pdf.open_outline() as outline:
        shown: list[str] = []
        rest = list(outline.root)
        while rest:
            item = rest.pop(0)
            shown.append(item.title)
            rest[:0] = item.children
    assert [h.text for h in headings] == shown


def test_tables_have_heads_that_say_what_they_head(pdf, document):
    all_of_it = list(elements(pdf.Root.StructTreeRoot["/K"]))
    tables = [b for b in (*document.front, *document.blocks) if isinstance(b, Table)]
    heads = [e for e in all_of_it if e["/S"] == "/TH"]
    assert len(heads) == sum(len(t.header) for t in tables) > 10
    scopes = {str(a["/Scope"]) for e in heads for a in e["/A"] if "/Scope" in a}
    assert scopes == {"/Column"}
    assert kinds_of(pdf).count("/TD") == sum(len(t.rows) * len(t.header) for t in tables)


def test_every_chart_and_photo_is_told_in_words(pdf, document):
    figures = [e for e in elements(pdf.Root.StructTreeRoot["/K"]) if e["/S"] == "/Figure"]
    drawn = [b for b in (*document.front, *document.blocks) if isinstance(b, Figure)]
    assert len(figures) > len(drawn) > 2
    assert all(str(e.get("/Alt", "")).strip() for e in figures)


def test_a_file_without_a_date_has_none_of_its_own(document):
    undated = replace(document, undated=True)
    assert render_pdf(undated) == render_pdf(undated)
    with pikepdf.open(io.BytesIO(render_pdf(undated))) as made:
        assert str(made.docinfo["/CreationDate"]).startswith("D:20000101")


def test_what_no_font_has_is_marked_and_the_rest_is_there(material):
    """A character without a glyph must neither end the report nor vanish unseen."""
    odd = Document("T", "", (Paragraph("before \U00013000 \ufdd0 after"), Bullets(("ok",))))
    data = render_pdf(odd)
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    assert "before" in text
    assert "after" in text
    assert "\ufffd" in text


def test_the_mark_of_the_evidence_is_in_both(document):
    marked = replace(document, mark="ledger 1234 abcd")
    with pikepdf.open(io.BytesIO(render_pdf(marked))) as made:
        assert str(made.docinfo["/Keywords"]) == marked.mark
    assert '<meta name="logbench-ledger" content="ledger 1234 abcd">' in render_html(marked)
    assert "logbench-ledger" not in render_html(replace(document, mark=""))


# --- the page ---


@pytest.fixture(scope="module")
def page(document):
    """The page's tree; a mistake in its HTML raises."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return parser.parse(render_html(document))


def test_the_page_is_valid_and_has_landmarks(page):
    assert page.attrib["lang"] == "en"
    for landmark in ("header", "main", "footer"):
        assert len(page.findall(f".//{landmark}")) == 1, landmark
    assert len(page.findall(".//h1")) == 1
    assert all(s.attrib["aria-label"] for s in page.findall(".//section"))


def test_the_page_s_tables_have_scopes_and_captions(page, document):
    tables = page.findall(".//table")
    assert len(tables) == sum(isinstance(b, Table) for b in (*document.front, *document.blocks))
    for table in tables:
        assert {th.attrib.get("scope") for th in table.findall(".//th")} == {"col"}
        assert "".join(table.find("caption").itertext()).strip()


def test_the_page_s_pictures_have_alternative_texts(page):
    pictures = page.findall(".//img")
    assert len(pictures) > 3
    assert all(p.attrib["alt"].strip() for p in pictures)


def test_a_page_for_one_and_paper_for_the_other_hold_the_same_levels(page, document):
    blocks = (*document.front, *document.blocks)
    for level in (1, 2):
        shown = page.findall(f".//h{level + 1}")
        assert len(shown) == sum(isinstance(b, Heading) and b.level == level for b in blocks)


def test_text_stands_out_enough():
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text on its ground."""
    for ink, ground in (("1a1a1a", "ffffff"), ("555555", "ffffff"), ("1a1a1a", "fbe9dd")):
        assert _contrast(ink, ground) >= 4.5


def _contrast(one: str, other: str) -> float:
    low, high = sorted(map(_luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


def _luminance(color: str) -> float:
    """Relative luminance of sRGB, WCAG 2.1."""
    parts = [int(color[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
