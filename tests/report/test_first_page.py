"""The first page answers an owner's questions by itself, for three audiences of the same
statements, and counts what it leaves out."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from dataclasses import replace

import pikepdf
import pytest
from pypdf import PdfReader

from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import all_checks
from logbench.job.model import Note, Option, RecordingEntry
from logbench.job.seal import Seal
from logbench.report.blocks import Bullets, Document, Figure, Heading, More, Paragraph, Table
from logbench.report.document import make_document, report_sentences
from logbench.report.front import cut
from logbench.report.gather import Drive, Material
from logbench.report.options import AUDIENCES, ReportOptions
from logbench.report.sentences import OWN, SAFETY, default_sentences
from logbench.report.typeset import render_pdf
from logbench.signals.catalog import catalog
from logbench.vehicle.records.codes import code_of


def pages_of(document: Document, paper: str = "A4") -> list[str]:
    pages = PdfReader(io.BytesIO(render_pdf(document, paper))).pages
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in pages]


def first(material: Material, **how) -> str:
    return pages_of(make_document(replace(material, options=ReportOptions(**how))))[0]


def beside(material: Material, found: list[Finding], label: str) -> Drive:
    """A second drive before the work."""
    entry = RecordingEntry(file=f"recordings/{label}.parquet", role="before", label=label)
    return replace(material.drives[0], entry=entry, findings=tuple(found))


@pytest.fixture
def many(material) -> Material:
    """Ten findings out of range."""
    one = next(f for f in material.drives[0].findings if f.verdict is Verdict.ACT)
    found = tuple(replace(one, subject=f"part {n}", causes=()) for n in range(10))
    drives = [replace(material.drives[0], findings=found), material.drives[1]]
    return replace(material, drives=drives, before=None, causes=None)


@pytest.mark.parametrize("audience", AUDIENCES)
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_page_one_answers_by_itself(material, audience, paper):
    job = material.job.model_copy(deep=True)
    job.technician = "Grace Hopper"
    page = first(replace(material, job=job), audience=audience, paper=paper)
    for answer in (
        "P0171 (System Too Lean, bank 1)", "adds 21 %",  # what was wrong
        "Intake hose renewed.", "1 x intake hose", "Agreed: Renew the hose, 120",  # what was done
        "What was out of its range is back in it:", "−19.9 ±6.5 points",  # is it gone, how sure
        "air leaking into the engine", "% sure",
        "Brakes, steering, tires, body, airbags", "Could not be judged:",  # what was not looked at
        "Whether the car is safe to drive was not examined",  # is it safe to drive
        "The car's own tests are complete (1 of 1).", "local rules decide",  # inspection
        "Technician: done and found as stated", "Grace Hopper", "Date",  # who stands for it
        "ZZ9TEST170X000001 (read from the car)", "81,234 km", material.number,
        "logbench", "2026-05-04, 19 min", "2026-05-06, 19 min",
    ):  # fmt: skip
        assert answer in page, answer


def test_the_owner_gets_one_page_in_plain_words(material):
    document = make_document(replace(material, options=ReportOptions(audience="owner")))
    assert document.blocks == ()
    (page,) = pages_of(document)
    own = {material.job.vehicle.vin, "TEST170X000001"}
    shouted = {w for w in re.findall(r"\b[A-Z]{3,}\b", page) if not any(w in o for o in own)}
    assert shouted == set(), "acronyms"
    assert [b for b in document.front if isinstance(b, More)] == []
    assert "in the whole report" in page


def test_all_audiences_get_the_same_statements_and_the_claims_file_the_evidence(material):
    made = {
        a: make_document(replace(material, options=ReportOptions(audience=a))) for a in AUDIENCES
    }
    listed = {
        a: [b.items for b in document.front if isinstance(b, Bullets)]
        for a, document in made.items()
    }
    assert listed["owner"] == listed["technician"] == listed["claims"]
    technician, claims = (" ".join(pages_of(made[a])) for a in ("technician", "claims"))
    for evidence in (
        material.drives[0].sha256,
        "where that comes from",
        "rule of thumb of the trade",
    ):
        assert evidence in claims.replace(" ", "") or evidence in claims
        assert evidence not in technician
    for of_both in ("Limits and cautions", "What may explain it", "Freeze frame 0", "act outside"):
        assert of_both in technician
        assert of_both in claims


def test_what_is_left_out_is_counted_and_is_where_it_is_said_to_be(material, many):
    pages = pages_of(make_document(many))
    (found,) = re.finditer(r"(\d+) more findings on page (\d+)\.", pages[0])
    shown = sum(f"part {n})" in pages[0] for n in range(10))
    assert 0 < shown == 10 - int(found[1])
    judged = r"Could not be judged: .+, and \d+ more; what to record for each is on page \d+\."
    assert re.search(judged, first(material))
    within = r"within their usual ranges: .+, and \d+ more on page \d+\."
    assert re.search(within, first(material))
    there = pages[int(found[2]) - 1]
    assert "What was found, in full" in there
    assert all(f"part {n}" in " ".join(pages[1:]) for n in range(10))


def test_what_asks_to_act_comes_first_then_what_touches_safety(material):
    one = next(f for f in material.drives[0].findings if f.verdict is Verdict.ACT)
    found = (
        replace(one, check="idle", subject="a", verdict=Verdict.WATCH),
        replace(one, check="charging", subject="b", verdict=Verdict.WATCH),
        replace(one, check="idle", subject="c"),
        replace(one, check="warm_up", subject="d"),
    )
    drives = [replace(material.drives[0], findings=found)]
    keys = list(default_sentences(replace(material, drives=drives, before=None)))
    order = [key[-1] for key in keys if key[7:].startswith(("idle", "charging", "warm_up"))]
    assert order == ["d", "c", "b", "a"]
    assert {check.KEY for check in all_checks()} >= SAFETY


def test_what_speaks_for_the_likeliest_cause_comes_before_the_rest(material):
    one = next(f for f in material.drives[0].findings if f.verdict is Verdict.ACT)
    weights = [w.observation.key for w in material.causes.ranked[0].pro]
    check, subject = next(k for k in weights if k.startswith("fuel_trim|")).split("|")
    found = (replace(one, check="idle", subject="x"), replace(one, check=check, subject=subject))
    drives = [replace(material.drives[0], findings=found)]
    made = list(default_sentences(replace(material, drives=drives)))
    assert made.index(f"found: {check}: {subject}") < made.index("found: idle: x")


def test_findings_of_every_drive_of_a_side_are_told_with_the_drive(material):
    """The report gave those of the first drive only."""
    was = list(material.drives[0].findings)
    bad = next(f for f in was if f.verdict is Verdict.ACT)
    good = [replace(f, verdict=Verdict.WITHIN) if f == bad else f for f in was]
    only_second = replace(bad, subject="seen later")
    second = beside(material, [*good, only_second], "cold morning")
    both = replace(material, drives=[material.drives[0], second, material.drives[1]])
    made = default_sentences(both)
    assert made[f"found: {bad.check}: {bad.subject}"].endswith(
        "Seen in before; within its usual range in cold morning."
    )
    assert made[f"found: {bad.check}: seen later"].endswith(
        "Seen in cold morning; not judged in before."
    )
    tables = [b for b in make_document(both).blocks if isinstance(b, Table)]
    (judged,) = (t for t in tables if t.caption == "What was judged in before, cold morning")
    assert judged.header == ("what", "before", "cold morning", "usual range", "act outside")
    row = next(r for r in judged.rows if r[0] == f"{bad.heading}")
    assert row[1].endswith(": act")
    assert row[2].endswith(": within")
    assert row[4] == "−15 to 15 %"
    (after,) = (t for t in tables if t.caption == "What was judged in after")
    assert len(after.rows) > 10


def test_of_one_drive_no_drive_is_named(material):
    assert not [t for t in default_sentences(material).values() if "Seen in" in t]


def test_a_rewritten_sentence_is_marked_as_the_technicians_own(example, material):
    folder, job = example
    own = job.model_copy(deep=True)
    own.sentences = {"found: fuel_trim: bank 1, warm idle": "The hose leaks."}
    changed = replace(material, job=own)
    for page in (pages_of(make_document(changed))[0], pages_of(make_document(changed))[1]):
        assert f"The hose leaks. {OWN}" in page
    assert first(material).count(OWN) == 0
    assert report_sentences(folder, own)["found: fuel_trim: bank 1, warm idle"] == "The hose leaks."


def test_without_a_drive_nothing_is_vouched_for(material):
    job = material.job.model_copy(deep=True)
    empty = replace(material, job=job, drives=[], before=None, after=None, diff=None,
                    comparison=None, causes=None)  # fmt: skip
    page = first(empty)
    assert "No test drive was recorded: nothing was judged by measuring." in page
    assert "No drive was recorded after the work: whether it helped is not shown." in page
    assert "what an inspection would find in them is not known" in page
    for claim in ("within their usual ranges", "Resolved", "back in it"):
        assert claim not in page


def test_what_is_next_of_codes_and_monitors(material):
    after = material.before.model_copy(deep=True)
    after.codes.append(code_of("P0420", "permanent", "7E8"))
    job = material.job.model_copy(deep=True)
    job.options.append(Option(what="New tires", safety="Worn to the cord.", agreed=False))
    page = first(replace(material, after=after, job=job))
    for part in (
        "Permanent: P0420. No tool clears that",
        "Of the car's own tests, 0 of 1 are complete. Not yet: Catalyst.",
        "where it flashes, do not drive on",
        "Declined: New tires. For safety: Worn to the cord.",
    ):
        assert part in page, part


def test_parts_not_judged_stand_with_what_to_record(material):
    (table,) = (
        b for b in make_document(material).blocks
        if isinstance(b, Table) and b.header[-1] == "what to record"
    )  # fmt: skip
    assert len(table.rows) > 5
    assert any("Record" in str(row[-1]) for row in table.rows)
    assert not [row for row in table.rows if "not applicable" in str(row[1])]


def test_nothing_speaks_in_tags_and_an_agreed_option_is_no_alarm(material):
    document = make_document(material)
    text = " ".join(pages_of(document))
    for tag in ("[CP", "[Pub", "[Mem", "from memory", "Mem:", "MOTOR"):
        assert tag not in text, tag
    (options,) = (b for b in document.blocks if isinstance(b, Table) and "option" in b.header)
    assert any(row[-1] == "agreed" for row in options.rows)
    assert options.marked == frozenset()


def test_what_a_signal_is_carries_no_tag():
    """`[Pub: …]` is for who keeps the files, not for who reads what a signal is."""
    assert [e.acronym for e in catalog() if re.search(r"\[\w+(: |\])", e.description)] == []


def test_no_heading_ends_a_page(material, many):
    for document in (make_document(material), make_document(many)):
        titles = {b.text for b in document.blocks if isinstance(b, Heading)}
        for page in PdfReader(io.BytesIO(render_pdf(document))).pages[1:]:
            lines = [line.strip() for line in page.extract_text().splitlines() if line.strip()]
            body = [line for line in lines if not line.startswith(("page ", document.foot[:12]))]
            assert body[-1] not in titles


def test_it_stays_one_page_with_all_there_is_to_say(many):
    job = many.job.model_copy(deep=True)
    job.concern = job.conclusion = job.agreement = "It shakes and rattles badly. " * 90
    job.work = [Note(text="did this and that " * 50)] * 30
    job.options = [Option(what="x" * 200, safety="y " * 400, agreed=False)] * 20
    full = replace(
        many, job=job, problems=[f"Problem {n} is so. " + "It is so. " * 40 for n in range(9)]
    )
    for paper in ("A4", "letter"):
        options = ReportOptions(audience="owner", paper=paper)
        document = make_document(replace(full, options=options))
        (page,) = pages_of(document, paper)
        assert "Owner: received and explained" in page
        (problems,) = re.findall(r"(\d) more problems in the whole report\.", page)
        assert int(problems) == 9 - page.count("Problem ")


def test_what_is_cut_ends_with_a_sentence_and_says_so():
    assert cut("Short.", 9) == "Short."
    assert cut("One sentence here. Another that is long", 25) == "One sentence here. … (cut)"
    assert cut("no sentence ends in all of this", 20) == "no sentence ends in … (cut)"
    assert cut("x" * 50, 20) == f"{'x' * 20} … (cut)"


def test_what_is_wrong_with_the_evidence_stands_first(material):
    problems = tuple(f"recordings/{n}.parquet was altered." for n in range(4))
    seal = Seal("changed", "This job was changed.", problems, head="ab" * 32, key="cd" * 32)
    document = make_document(replace(material, seal=seal))
    assert document.front[0] == Paragraph("This job was changed.", "caution")
    pages = pages_of(document)
    assert re.search(r"2 more such pieces on page \d", pages[0])
    assert all(problem in " ".join(pages[1:]) for problem in problems)
    whole = make_document(replace(material, seal=Seal("sealed", "Sealed.", head="ab" * 32)))
    assert "Sealed." not in pages_of(whole)[0]


def test_nothing_is_said_twice_on_page_one(material):
    """What is changed stood there as a sentence and again as the first of its list; the verdict of
    the causes was followed by the same in other words."""
    problems = tuple(f"recordings/{n}.parquet was altered." for n in range(4))
    seal = Seal("changed", f"This job was CHANGED. {problems[0]}", problems, head="ab" * 32)
    changed = replace(material, seal=seal)
    texts: list[str] = []
    for block in make_document(changed).front:
        if isinstance(block, Paragraph):
            texts.append(block.text)
        elif isinstance(block, Bullets):
            texts += block.items
    said = [s for text in texts for s in re.split(r"(?<=\.) ", text) if len(s) > 12]
    assert [s for s in said if said.count(s) > 1] == []
    assert len(said) > 15
    page = first(changed)
    assert page.count(problems[0]) == page.count(problems[1]) == 1
    assert page.lower().count("verdict on a part") == 1


def test_the_owner_reads_no_trade_language(material):
    page = first(material, audience="owner").lower()
    for word in ("fuel trim", "each cell", "with airflow", "resolved", "likely:", "["):
        assert word not in page, word


def test_no_type_is_smaller_than_eight_points(material, many):
    """Page one was shrunk to 5.9 points where much was to be said, and charts to 4.6."""
    for document in (make_document(material), make_document(many)):
        with pikepdf.open(io.BytesIO(render_pdf(document))) as pdf:
            for page in pdf.pages:
                sizes = sorted(set(sizes_in(page)))
                assert sizes[0] > 7.99, sizes


def sizes_in(page: pikepdf.Page, scale: float = 1.0) -> Iterator[float]:
    """Points of the letters of a page, of its drawings, too, as they stand on the paper."""
    kept, size, turned = [], 0.0, 1.0
    for operands, operator in pikepdf.parse_content_stream(page):
        match str(operator):
            case "q":
                kept.append(scale)
            case "Q":
                scale = kept.pop()
            case "cm":
                scale *= math.hypot(float(operands[0]), float(operands[1]))
            case "Tm":
                turned = math.hypot(float(operands[0]), float(operands[1]))
            case "Tf":
                size = float(operands[1])
            case "Tj" | "TJ":
                yield round(size * turned * scale, 2)
            case "Do":
                inner = page.get("/Resources").XObject[str(operands[0])]
                if inner.Subtype == "/Form":
                    a, b = (float(x) for x in inner.get("/Matrix", [1, 0])[:2])
                    yield from sizes_in(inner, scale * math.hypot(a, b))


def test_the_chart_of_page_one_shows_both_sides(material):
    front = make_document(material).front
    (figure,) = (b for b in front if isinstance(b, Figure))
    assert "before" in figure.chart.words
    assert "after" in figure.chart.words
    assert any("±" in item for b in front if isinstance(b, Bullets) for item in b.items)
