"""The report of a job: content, paper, privacy, hostile jobs. PDFs are read back with pypdf."""

from __future__ import annotations

import base64
import io
import re
import struct
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image
from pypdf import PdfReader

from logbench import __version__
from logbench.analysis.model import Finding, Verdict
from logbench.cases.job import WriteReport
from logbench.cases.work import CancelledError, Work
from logbench.errors import JobDamagedError, StorageError, UsageError
from logbench.job.folder import create_job
from logbench.job.model import RESTRAINT_CAUTION, Job, Note, Option, Photo, RecordingEntry
from logbench.recording.model import Event
from logbench.recording.notes import change_notes, new_note, notes_path, remarks_of
from logbench.report.blocks import Document, Table
from logbench.report.document import build_report, make_document, report_sentences
from logbench.report.front import RULES_OF_THUMB
from logbench.report.gather import gather, load_picture
from logbench.report.options import SECTIONS, ReportOptions, sections_from
from logbench.report.sections import DEFERRAL
from logbench.report.sentences import default_sentences, sentences
from logbench.report.typeset import render_html, render_pdf
from tests.report.conftest import RECORDINGS, make_example

VIN = "ZZ9TEST170X000001"


def pages_of(data: bytes) -> list[str]:
    pages = PdfReader(io.BytesIO(data)).pages
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in pages]


def charts_of(page: str) -> list[str]:
    """The charts of an HTML page as the SVG texts that they are."""
    return [base64.b64decode(c).decode() for c in re.findall(r"svg\+xml;base64,([\w+/=]+)", page)]


def text_of(document: Document) -> str:
    return " ".join(pages_of(render_pdf(document)))


def with_options(material, **how) -> Document:
    return make_document(replace(material, options=ReportOptions(**how)))


# --- content ---


def test_everything_a_reader_needs_is_there(example, material):
    pages = pages_of(render_pdf(make_document(material)))
    text = " ".join(pages)
    for part in (
        "shakes at traffic lights", VIN, "81,234 km", "2.3 L, 4 cylinders",
        "P0171", "P1234", "manufacturer-specific", "System Too Lean, bank 1",
        "Freeze frame 0 of 7E8, set by P0171", "88 °C", "On-board monitor results", "failed",
        "This driving cycle: 0 of 1 complete; not complete: Catalyst.", "local rules decide",
        "Renew the hose", "agreed", "declined",
        "New hose, by telephone.", "Intake hose renewed.", "EX-1204", "codes cleared",
        "Consent given", "The owner agrees.", "engine speed 0 rpm, road speed 0 km/h",
        "on the wire 30 34 0D", "7E8 44 (done) after 0.05 s",
        "The hose with its split.", "The idle is steady.", "resolved",
        "No stored codes.", "gone", "samples of a drive follow each other",
        "rule of thumb of the trade",
        f"logbench {__version__}", *DEFERRAL, RESTRAINT_CAUTION,
    ):  # fmt: skip
        assert " ".join(part.split()) in text, part
    for drive in material.drives:
        assert drive.sha256 in text.replace(" ", "")
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
    assert "This report is about a simulated car" in pages[0]


def test_charts_are_vectors_and_only_the_photo_is_a_picture(material):
    reader = PdfReader(io.BytesIO(render_pdf(make_document(material))))
    pictures = [image for page in reader.pages for image in page.images]
    assert len(pictures) == 1
    lines = sum(page.get_contents().get_data().count(b" l ") for page in reader.pages)
    assert lines > 1000, "the traces are lines"


@pytest.mark.parametrize(("paper", "size"), [("A4", (595.28, 841.89)), ("letter", (612, 792))])
def test_paper(material, paper, size):
    """Sizes: ISO 216, ANSI letter, in points of 1/72 inch."""
    for page in PdfReader(io.BytesIO(render_pdf(make_document(material), paper))).pages:
        assert tuple(map(float, page.mediabox[2:])) == pytest.approx(size, abs=0.01)


def test_no_text_is_cut_off_at_the_page(material):
    """Every piece of text begins within the margins, and so does the widest line."""
    reader = PdfReader(io.BytesIO(render_pdf(make_document(material))))
    for page in reader.pages:
        places: list[tuple[float, float, str]] = []

        def visit(text, cm, tm, font, size, places=places):
            if text.strip():
                x = cm[0] * tm[4] + cm[2] * tm[5] + cm[4]
                y = cm[1] * tm[4] + cm[3] * tm[5] + cm[5]
                places.append((x, y, text))

        page.extract_text(visitor_text=visit)
        assert places
        assert all(40 <= x <= 560 and 20 <= y <= 830 for x, y, _ in places)


def test_the_page_holds_the_same(material):
    document = make_document(material)
    page = render_html(document)
    reader = Reader(page + " ".join(charts_of(page)))
    words = set(re.findall(r"[A-Za-z]{5,}", text_of(document)))
    held = set(re.findall(r"[A-Za-z]{5,}", reader.text))
    # the PDF breaks long words over two lines
    missing = {w for w in words - held if not any(w in other for other in held)}
    assert missing == set()
    assert len(words) > 300
    assert len(charts_of(page)) >= 4


def test_sentences_can_be_rewritten(example, material):
    folder, job = example
    made = report_sentences(folder, job)
    assert "adds 21 % of the fuel" in made["found: fuel_trim: bank 1, warm idle"]
    assert made["after: codes"].startswith("The car had stored no codes after the work.")
    own = job.model_copy(deep=True)
    own.sentences = {"found: fuel_trim: bank 1, warm idle": "A hose <b>leaks</b> & hisses."}
    changed = replace(material, job=own)
    assert sentences(changed)["after: codes"] == made["after: codes"]
    text = text_of(make_document(changed))
    assert "A hose <b>leaks</b> & hisses." in text
    assert "adds 21 %" not in text


def test_sections_are_chosen_but_cautions_stay(material):
    _, *pages = pages_of(render_pdf(with_options(material, sections=("done",))))
    text = " ".join(pages)
    assert "Intake hose renewed." in text
    assert "What was found" not in text
    assert DEFERRAL[0] in text
    assert sections_from("found, done") == ("found", "done")
    with pytest.raises(UsageError, match="choose among concern"):
        sections_from("found,price")
    assert set(SECTIONS) >= {"concern", "found", "methods", "limits"}


def test_what_was_noted_on_the_drives_is_printed_where_wanted(material, tmp_path):
    """The report printed none of it."""
    minute = 60 * 10**9
    events = [Event(t_ns=2 * minute, kind="marker", text="rattle on the left"),
              Event(t_ns=3 * minute, kind="marker", text="trim high", source="rule"),
              Event(t_ns=4 * minute, kind="link lost")]  # fmt: skip
    remarks = remarks_of(events, [new_note(minute, minute * 3 // 2, "hiss <b>at</b> idle")])
    first = replace(material.drives[0], remarks=remarks)
    noted = replace(material, drives=[first, *material.drives[1:]])
    text = text_of(make_document(noted))
    for part in (
        "Notes on the drives", "1:00 to 1:30, note: hiss <b>at</b> idle",
        "2:00, marker: rattle on the left", "3:00, marker by rule: trim high", "4:00, link lost",
    ):  # fmt: skip
        assert part in text
    assert "rattle" not in text_of(with_options(noted, sections=("done",)))
    many = replace(first, remarks=remarks * 20)
    assert "20 more are in the recording" in text_of(
        with_options(replace(noted, drives=[many]), sections=("notes",))
    )


def test_the_notes_of_a_job_s_drives_are_gathered(tmp_path):
    folder, job = create_job(tmp_path, "Noted")
    entry = folder.add_recording(job, RECORDINGS / "before.parquet", "before")
    drive = folder.place(entry.file)
    change_notes(drive, "", lambda _: [new_note(0, 10**9, "hiss")])
    (found,) = gather(folder, job, ReportOptions()).drives
    assert [r.text for r in found.remarks if r.kind == "note"] == ["hiss"]
    notes_path(drive).write_bytes(b"{")
    material = gather(folder, job, ReportOptions())
    assert len(material.drives) == 1
    assert "cannot be understood" in material.problems[0]


def test_us_units_and_metric(material):
    metric = text_of(make_document(material))
    us = text_of(with_options(material, units="us"))
    assert "81,234 km" in metric
    assert "50,477 mi" in us
    assert "190 °F" in us, "88 degC"
    assert "−14.4 to 14.4 Δ°F" in us, "a difference of 8 degC"
    assert "lb/min" in us
    assert "lb/min/L" in us, "an engine's size stays in liters"
    left = re.compile(r"degC|°C|kPa|km/h|\bkm\b|g/s|L/h|\d K\b|/K\b|kJ|\d g/")
    assert left.search(metric)
    assert left.findall(us) == [], "sentences, tables and bases alike"


def test_shop_and_logo(material, tmp_path):
    logo = tmp_path / "logo.png"
    Image.new("RGBA", (300, 100), (0, 0, 200, 128)).save(logo)
    options = ReportOptions(shop_name="Sample Garage", shop_lines=("1 Invented Street",), logo=logo)
    document = make_document(replace(material, options=options, logo=load_picture(logo), photos=[]))
    data = render_pdf(document)
    assert "Sample Garage 1 Invented Street" in pages_of(data)[0]
    assert sum(len(page.images) for page in PdfReader(io.BytesIO(data)).pages) == 1


# --- short form ---


def test_the_short_form_is_one_page(material):
    (page,) = pages_of(render_pdf(with_options(material, audience="owner")))
    for part in ("shakes at traffic lights", "adds 21 %", "Intake hose renewed.", "back in it"):
        assert part in page
    assert RULES_OF_THUMB in page


def test_the_short_form_stays_one_page_whatever_there_is_to_say(material):
    job = material.job.model_copy(deep=True)
    job.concern = "very long words " * 600
    job.conclusion = "x" * 5000
    job.work = [Note(text="did this and that " * 50)] * 30
    document = with_options(replace(material, job=job), audience="owner")
    assert len(pages_of(render_pdf(document))) == 1
    document = make_document(
        replace(material, job=job, options=ReportOptions(audience="owner", paper="letter"))
    )
    assert len(pages_of(render_pdf(document, "letter"))) == 1


# --- privacy ---


def test_nothing_private_unless_wanted(material):
    text = text_of(make_document(material))
    assert "Ada Lovelock" in text
    assert VIN in text


def test_what_a_camera_wrote_into_a_photo_stays_behind(tmp_path):
    photo = tmp_path / "gps.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6  # lies on its side
    exif[0x010E] = "SECRET PLACE"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    Image.new("RGB", (400, 200), "red").save(photo, exif=exif)
    assert b"SECRET PLACE" in photo.read_bytes()
    picture = load_picture(photo)
    assert b"SECRET" not in picture.jpeg
    with Image.open(io.BytesIO(picture.jpeg)) as image:
        assert dict(image.getexif()) == {}
    assert (picture.width_px, picture.height_px) == (200, 400), "turned upright"


# --- files and folders ---


def test_written_as_pdf_or_page(example, tmp_path):
    folder, job = example
    quick = ReportOptions(sections=("concern",))
    build_report(folder, job, tmp_path / "report.PDF", quick)
    assert (tmp_path / "report.PDF").read_bytes().startswith(b"%PDF")
    build_report(folder, job, tmp_path / "report.html", quick)
    assert "<!DOCTYPE html>" in (tmp_path / "report.html").read_text()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report.PDF", "report.html"]
    with pytest.raises(UsageError, match=r"\.pdf or \.html"):
        build_report(folder, job, tmp_path / "report.docx")
    with pytest.raises(StorageError, match="does not exist"):
        build_report(folder, job, tmp_path / "nowhere" / "report.pdf", quick)


def test_it_says_how_far_it_is_and_until_it_is_written_it_can_be_canceled(tmp_path):
    """It went on silently, and was seen through."""
    told: list[tuple[str, float]] = []
    example = make_example(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    quick = ReportOptions(sections=("concern",))
    case = WriteReport(*example, out / "r.html", quick)
    work = Work(lambda what, share: told.append((what, share)), case.canceling)
    case.run(work)
    assert [share for _, share in told] == sorted(share for _, share in told)
    for entry in example[1].recordings:
        assert any(entry.file in what for what, _ in told)
    assert not work.cancel(), "it is written"
    late = Work(canceling=case.canceling)
    late.reported = lambda what, share: late.cancel() and None
    with pytest.raises(CancelledError):
        WriteReport(*example, out / "other.html", quick).run(late)
    assert [p.name for p in out.iterdir()] == ["r.html"]


def test_an_empty_job_has_a_report(tmp_path):
    folder, job = create_job(tmp_path, "empty")
    document = build_report(folder, job, tmp_path / "empty.pdf")
    text = text_of(document)
    assert document.problems == ()
    assert DEFERRAL[1] in text
    assert "What the second drive shows" not in text


def test_a_difference_of_trims_is_not_told_as_fuel_added(material):
    def said(band: str, value: float) -> str:
        finding = Finding(
            "fuel_trim",
            "bank 1",
            Verdict.WATCH,
            "",
            value=value,
            unit="%",
            band=material.bands[band],
        )
        drive = replace(material.drives[0], findings=(finding,))
        return default_sentences(replace(material, drives=[drive]))["found: fuel_trim: bank 1"]

    assert "takes away 15 % of the fuel" in said("fuel_trim_total", -15.0)
    for band in ("fuel_trim_load_trend", "fuel_trim_trend", "fuel_trim_bank_difference"):
        text = said(band, -15.0)
        assert "−15.0 %" in text
        assert "takes away" not in text
        assert not text.startswith("The amount by which")


def test_an_altered_recording_is_marked(material):
    drives = [
        replace(drive, entry=RecordingEntry(file="recordings/before.parquet", sha256="0" * 64))
        for drive in material.drives[:1]
    ]
    text = text_of(make_document(replace(material, drives=drives, comparison=None)))
    assert "not the file that was added!" in text


def test_codes_that_could_not_be_read_are_not_none(material):
    silent = material.before.model_copy(deep=True)
    silent.answered, silent.codes, silent.freeze_frames = {}, [], []
    silent.complete, silent.problems = False, ["The link was lost."]
    text = text_of(make_document(replace(material, before=silent, diff=None)))
    assert "could not be read before the work" in text
    assert "No ECU answered when asked for stored codes: not known." in text
    assert "Freeze frames were not reported." in text
    assert "The link was lost." in text


def test_a_low_voltage_and_its_remark(material):
    remark = "The supply was 11.4 V with the engine off."
    assert remark in text_of(make_document(replace(material, remarks=[remark])))


# --- hostile jobs ---

NASTY = (
    '<script>alert(1)</script><img src="http://evil.invalid/x.png" onerror=alert(2)>'
    "\x00\x1b[31m</td></table>&lt;{{7*7}}%s <b>bold <font color=red> <para> ]]> "
    "\u202e\u0000 javascript:alert(3) "
)


class Reader(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data):
        self.text += data


def nasty_job() -> Job:
    word = "W" * 3000
    return Job(
        title="<b>title</b> & co",
        concern=NASTY * 20 + word,
        customer={"name": NASTY, "contact": NASTY},
        vehicle={"make": NASTY, "label": NASTY, "vin": NASTY[:60]},
        notes=[
            Note(text=NASTY + word),
            Note(text="x" * 20_000),
            Note(at_utc=NASTY, text="\n" * 500),
        ],
        work=[Note(text="line\n" * 2000)],
        options=[Option(what=NASTY, cost=word[:300], consequence=word * 6, safety=NASTY * 30)] * 3,
        sentences={"x": NASTY},
        conclusion="日本語 \U0001f600 ∑ \ufffe",
    )


def test_a_hostile_job_breaks_neither_pdf_nor_page(tmp_path):
    folder, job = create_job(tmp_path, "<i>job</i>", nasty_job())
    outside = tmp_path / "secret.jpg"
    Image.new("RGB", (64, 64), "red").save(outside)
    photos = folder.path / "photos"
    photos.mkdir()
    (photos / "link.jpg").symlink_to(outside)
    (photos / "text.jpg").write_text(NASTY)
    (photos / "cut.png").write_bytes(b"\x89PNG\r\n\x1a\n" + b"\0" * 20)
    with (photos / "huge.jpg").open("wb") as sparse:
        sparse.truncate(200_000_000)
    names = ("link.jpg", "text.jpg", "cut.png", "huge.jpg", "missing.jpg")
    job.photos = [Photo(file=f"photos/{name}", caption=NASTY) for name in names]
    job.recordings = [RecordingEntry(file="recordings/gone.parquet", role="before", label=NASTY)]
    document = build_report(folder, job, tmp_path / "r.pdf")
    assert len(document.problems) == 6
    assert any("leads out" in problem for problem in document.problems)
    assert any("longer than 60 MB" in problem for problem in document.problems)
    pages = pages_of((tmp_path / "r.pdf").read_bytes())
    assert "<script>alert(1)</script>" in "".join(pages).replace(" ", "")
    build_report(folder, job, tmp_path / "r.html")
    reader = Reader((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert "script" not in reader.tags
    assert not [name for name, _ in reader.attributes if name.startswith("on")]
    sources = [v for n, v in reader.attributes if n in ("src", "href", "xlink:href")]
    assert [v[:19] for v in sources] == ["data:image/svg+xml;"], "the ledger's code, and no photo"
    assert "<script>alert(1)</script>" in reader.text


def test_a_page_loads_nothing(material):
    page = render_html(make_document(material))
    reader = Reader(page)
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'; img-src data:") in (
        reader.attributes
    )
    sources = [value for name, value in reader.attributes if name in ("src", "href")]
    assert sources
    assert all(re.match("data:image/(jpeg|svg.xml);base64,", value) for value in sources)
    assert "@import" not in page
    assert not re.search(r"url\(", page)


def bomb(path: Path) -> Path:
    """A PNG that says it has 60,000 x 60,000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    data = zlib.compress(b"\0" * 1000)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )
    return path


def test_a_decompression_bomb_is_not_opened(tmp_path):
    with pytest.raises(JobDamagedError):
        load_picture(bomb(tmp_path / "bomb.png"))


def test_a_damaged_reading_is_said(tmp_path, example):
    folder, job = create_job(tmp_path, "car")
    entry = folder.add_reading(job, gather(*example, ReportOptions()).before, "before")
    folder.place(entry.file).write_text("{")
    document = build_report(folder, job, tmp_path / "r.pdf")
    assert any("cannot be read" in problem for problem in document.problems)
    assert "cannot be read" in text_of(document)


def test_tables_hold_plain_cells(material):
    document = make_document(material)
    for block in (*document.front, *document.blocks):
        if isinstance(block, Table):
            assert all(len(row) == len(block.header) == len(block.widths) for row in block.rows)
