"""The sections of a report, from what was gathered."""

from __future__ import annotations

from collections.abc import Iterator

from logbench.analysis.model import headed
from logbench.analysis.statement import in_units
from logbench.foreign import in_label, joined, raw
from logbench.job.account import account
from logbench.job.model import RESTRAINT_CAUTION, Note
from logbench.job.seal import Seal
from logbench.job.times import when_text
from logbench.recording.notes import Remark
from logbench.report import after, causes, records
from logbench.report.blocks import (
    Block,
    Bullets,
    Facts,
    Figure,
    Heading,
    Paragraph,
    Pictures,
    Table,
)
from logbench.report.front import ROOMS, cut, odometer
from logbench.report.gather import Material
from logbench.report.judged import finding_tables, range_to_act, usual_range
from logbench.report.options import TITLES, Section
from logbench.report.plots import finding_figures
from logbench.report.seal import seal_code, seal_facts
from logbench.report.sentences import lacking_parts, looked_at, printed
from logbench.signals.numbers import time_text
from logbench.words import tr, word

DEFERRAL = (
    "The usual ranges in this report are rules of thumb, not a maker's specification: where the "
    "maker states a value, that value counts. A number outside a range is a reason to look "
    "further, not a verdict on a part.",
    "Safety systems (brakes, steering, restraint systems, fuel, high voltage) and inspections "
    "belong to licensed practice and to local rules, which come before anything in this report.",
    "The recordings show the car as it was driven then and there. They cannot show what was not "
    "driven, not recorded, or what the car's own computers do not report.",
)
PRIVATE = (
    "This report can be handed to anybody: whose car it is, where and when it was driven and what "
    "was written about it are left out, and the usual ranges are the program's own."
)
MOST_FIGURES = 4
_CODE_SHARE = 0.25
MOST_REMARKS = 60
"""Of one drive."""


def appendix(material: Material) -> list[Block]:
    """All that is wanted after the first page, in order."""
    made: dict[Section, Iterator[Block]] = {
        "concern": _concern(material),
        "vehicle": _vehicle(material),
        "found": _found(material),
        "records": records.before_section(material),
        "causes": causes.section(material),
        "notes": _notes(material),
        "options": _options(material),
        "done": _done(material),
        "after": after.section(material),
        "photos": _photos(material),
        "limits": _limits(material),
        "methods": _methods(material),
        "files": _files(material),
    }
    blocks: list[Block] = []
    for section, content in made.items():
        if material.options.has(section):
            blocks.extend(content)
    return blocks


def _concern(material: Material) -> Iterator[Block]:
    """Where the first page has no room for it."""
    if cut(material.job.concern, ROOMS[-1].text) != " ".join(raw(material.job.concern).split()):
        yield Heading("The customer's concern")
        yield Paragraph(material.job.concern, "quote")


def _vehicle(material: Material) -> Iterator[Block]:
    job, car = material.job, material.job.vehicle
    reading = material.before or material.after
    vin = car.vin or (reading.identity.vin if reading else "")
    pairs = [
        ("Customer", joined(" · ", job.customer.name, job.customer.contact)),
        ("Car", joined(" ", car.name, car.label)),
        ("Registration", car.registration),
        ("VIN", vin),
        ("Engine", in_label(car.engine)),
        ("Odometer", odometer(material)),
        ("Technician", job.technician),
    ]
    shown = tuple((name, value) for name, value in pairs if value)
    if shown:
        yield Heading("The car")
        yield Facts(shown)
    if reading is not None and reading.identity.vin_problem:
        yield Paragraph(joined(" ", "VIN:", reading.identity.vin_problem), "small")
    read = {car.read_instead.get("vin", ""), reading.identity.vin if reading else ""}
    for other in sorted(read - {"", vin}):
        yield Paragraph(
            tr("The car gives another VIN than the papers: {other}.", other=other), "caution"
        )


def _found(material: Material) -> Iterator[Block]:
    drives = looked_at(material)
    yield Heading(TITLES["found"], key="found")
    yield Bullets(tuple(printed(material, "found").values()))
    for remark in material.remarks:
        yield Paragraph(remark, "caution")
    if material.job.notes:
        yield Heading("Notes", 2)
        yield Bullets(tuple(_noted(note) for note in material.job.notes))
    after_work = material.drives_of("after")
    for drive in drives:
        against = after_work[-1] if after_work else None
        yield from finding_figures(drive, material.units, MOST_FIGURES, against)
    yield from finding_tables(drives, material.units)
    yield from _lacking(material)


def _lacking(material: Material) -> Iterator[Block]:
    """The parts that were not judged, each with what to record."""
    rows = tuple(
        (
            headed(part.check, part.subject),
            part.coverage.value,
            in_units(part.reason, material.units),
            " ".join(in_units(step, material.units) for step in part.next_steps) or "–",
        )
        for part in lacking_parts(material)
    )
    if rows:
        yield Heading(TITLES["lacking"], 2, key="lacking")
        header = ("part", "why", "in words", "what to record")
        yield Table("None of it is vouched for", header, rows, (24, 12, 30, 34), small=True)


def _notes(material: Material) -> Iterator[Block]:
    drives = [drive for drive in material.drives if drive.remarks]
    if drives:
        yield Heading("Notes on the drives")
    for drive in drives:
        yield Heading(drive.entry.label or drive.entry.file, 2)
        most = drive.remarks[:MOST_REMARKS]
        yield Bullets(tuple(_remark_text(remark) for remark in most))
        if len(drive.remarks) > len(most):
            text = tr("{n} more are in the recording.", n=len(drive.remarks) - len(most))
            yield Paragraph(text, "small")


def _remark_text(remark: Remark) -> str:
    times = dict.fromkeys(time_text(t_ns / 1e9) for t_ns in (remark.start_ns, remark.end_ns))
    start, *end = times
    when = tr("{start} to {end}", start=start, end=end[0]) if end else start
    return joined(": ", joined(", ", when, word(remark.kind)), remark.text)


def _options(material: Material) -> Iterator[Block]:
    job = material.job
    if not job.options and not job.agreement:
        return
    yield Heading("The options, and what was agreed")
    if job.options:
        answers = {True: "agreed", False: "declined", None: "open"}
        rows = tuple(
            (o.what, o.cost or "–", o.consequence, o.safety, answers[o.agreed]) for o in job.options
        )
        header = ("option", "cost", "what follows", "safety", "owner")
        yield Table("Options put to the owner", header, rows, (26, 12, 28, 22, 12))
    if job.agreement:
        yield Paragraph(job.agreement)


def _done(material: Material) -> Iterator[Block]:
    job = material.job
    if not job.work and not job.parts and not job.events:
        return
    yield Heading(TITLES["done"], key="done")
    if job.work:
        yield Bullets(tuple(_noted(note) for note in job.work))
    if job.parts:
        rows = tuple((p.name, p.number or "–", f"{p.quantity:g}", p.remark) for p in job.parts)
        yield Table(
            "Parts fitted", ("part", "number", "quantity", "remark"), rows, (34, 22, 12, 32)
        )
    for event in job.events:
        yield Bullets(
            (joined(": ", when_text(event.at_utc), joined(". ", word(event.kind), event.text)),)
        )
        if event.change is not None:
            facts = account(event.change)
            yield Facts(tuple((name, in_units(text, material.units)) for name, text in facts))
    if job.restraint_work:
        yield Paragraph(RESTRAINT_CAUTION, "caution")


def _photos(material: Material) -> Iterator[Block]:
    if not material.photos:
        return
    yield Heading("Photos")
    yield Pictures(tuple(material.photos))


def _limits(material: Material) -> Iterator[Block]:
    yield Heading(TITLES["limits"], key="limits")
    yield Bullets(DEFERRAL)
    if material.options.private:
        yield Paragraph(PRIVATE, "small")
    if material.job.restraint_work and not material.options.has("done"):
        yield Paragraph(RESTRAINT_CAUTION, "caution")
    for problem in material.problems:
        yield Paragraph(problem, "caution")


def _methods(material: Material) -> Iterator[Block]:
    used = {
        f.band.key: f.band
        for drive in material.drives
        for f in drive.findings
        if f.band is not None
    }
    yield Heading("Methods, usual ranges and their basis")
    yield Paragraph(
        "Each check looks only at stretches where its condition held (warm, closed loop, steady, "
        "full throttle …), gives the number with its 95 % interval, and holds it against a usual "
        "range: within it, outside it (watch), or surely outside a wider one (act).",
        "small",
    )
    if material.comparison is not None:
        yield Paragraph(after.METHOD, "small")
    if material.units.us:
        yield Paragraph(
            "Everything is measured in metric units and shown in US units; the conversions are "
            "exact to the figures shown.",
            "small",
        )
    if not used:
        return
    units = material.units
    rows = tuple(
        (
            in_units(band.title, units),
            usual_range(band, units),
            range_to_act(band, units),
            in_units(band.basis, units),
        )
        for band in sorted(used.values(), key=lambda b: b.key)
    )
    header = ("what", "usual range", "act outside", "where that comes from")
    yield Table("Usual ranges", header, rows, (28, 15, 15, 42), small=True)


def _files(material: Material) -> Iterator[Block]:
    yield Heading(TITLES["files"], key="files")
    rows = []
    for drive in material.drives:
        facts = drive.recording.facts
        state = tr("not the file that was added!") if drive.altered else word(drive.entry.role)
        minutes = f"{drive.recording.duration_ns / 60e9:.1f} min"
        began = when_text(facts.started) or tr("date not known")
        if facts.corrected:
            state = tr("{state}, corrected afterwards: {what}", state=state, what=facts.corrected)
        rows.append((drive.entry.file, f"{state}, {began}, {minutes}", drive.sha256))
    marked = frozenset(i for i, drive in enumerate(material.drives) if drive.altered)
    if rows:
        header = ("file", "what", "SHA-256")
        yield Table("Recordings", header, tuple(rows), (26, 30, 44), marked, True)
    yield from _seal(material.seal)
    yield Paragraph(
        tr(
            "Made with {software} from the job's own files; schema of the job {schema}.",
            software=material.software,
            schema=material.job.schema_version,
        ),
        "small",
    )


def _seal(seal: Seal) -> Iterator[Block]:
    """What verifying the job has found, its ledger's head, and the same as a code."""
    if seal.sentence:
        yield Paragraph(seal.sentence)
    if seal.problems:
        yield Bullets(seal.problems)
    facts, code = seal_facts(seal), seal_code(seal)
    if facts:
        yield Facts(facts)
    if code is not None:
        yield Figure(code, "The head of the job's ledger, to scan.", _CODE_SHARE)


# --- small things ---


def _noted(note: Note) -> str:
    return joined(": ", when_text(note.at_utc), note.text) if note.at_utc else note.text
