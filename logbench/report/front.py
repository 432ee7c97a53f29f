"""The first page: what was found and done, whether it is gone, what was not looked at, what to do
next, and who stands for it. It never fills more than one page; what it leaves out is counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from logbench.foreign import Foreign, fill, in_label, joined
from logbench.job.model import RESTRAINT_CAUTION
from logbench.job.times import short_time
from logbench.report import after
from logbench.report.blocks import (
    Block,
    Bullets,
    Facts,
    Heading,
    More,
    Paragraph,
    Signatures,
)
from logbench.report.gather import Drive, Material
from logbench.report.options import Section
from logbench.report.sentences import NOT_LOOKED_AT, lacking_parts, printed

SIMULATED = "This report is about a simulated car: no such vehicle exists."
NOT_EXAMINED = (
    "Brakes, steering, tires, body, airbags, and all that the car's own computers do not report, "
    "were not examined by these recordings."
)
RULES_OF_THUMB = (
    "Usual ranges are rules of thumb, not a maker's specification, and no number here is a verdict "
    "on a part. Safety systems and inspections belong to licensed practice and to local rules, "
    "which come before anything in this report."
)
TITLES = {
    "found": "What was found, in full",
    "lacking": "Not judged, and what to record",
    "done": "What was done, in full",
    "limits": "Limits and cautions",
    "files": "Recordings, evidence and program",
}
"""Headings of what follows the first page that it points to, by key."""
_SECTION_OF: dict[str, Section] = {
    "found": "found",
    "lacking": "found",
    "done": "done",
    "files": "files",
}
MOST_FOUND, MOST_DONE, MOST_PROBLEMS = 4, 4, 2
_MOST_TEXT, _MOST_LEAD, _MOST_LIST = 260, 480, 150
"""Characters of a statement, of the one that says what became of it, and of a mere list."""
_CHART_SHARE = 0.62
_SIGNED = ("Technician: done and found as stated", "Owner: received and explained")


def front(material: Material) -> list[Block]:
    """All of the page below its head."""
    return [
        *_cautions(material),
        *_facts(material),
        *_concern(material),
        *_found(material),
        *_done(material),
        *_shown(material),
        *_not_examined(material),
        *_next(material),
        *_limits(material),
        Signatures(_SIGNED, "Date"),
    ]


def _cautions(material: Material) -> Iterator[Block]:
    """What must be read before anything else: of the evidence, then of the car, then what lacks."""
    seal = material.seal
    if seal.notable:
        yield Paragraph(cut(seal.sentence), "caution")
        yield Bullets(tuple(cut(text) for text in seal.problems[:MOST_PROBLEMS]))
        unsaid = len(seal.problems) - MOST_PROBLEMS
        yield from more(material, unsaid, "more such piece{s}", "files")
    if any(drive.recording.facts.link.simulated for drive in material.drives):
        yield Paragraph(SIMULATED, "caution")
    for problem in material.problems[:MOST_PROBLEMS]:
        yield Paragraph(cut(problem), "caution")
    yield from more(material, len(material.problems) - MOST_PROBLEMS, "more problem{s}", "limits")


def _facts(material: Material) -> Iterator[Block]:
    job, car = material.job, material.job.vehicle
    reading = material.before or material.after
    read_vin = (reading and reading.identity.vin) or car.identity.vin
    vin = joined(" ", read_vin, "(read from the car)") if read_vin else car.vin
    adapters = dict.fromkeys(
        in_label(drive.recording.facts.link.adapter)
        for drive in material.drives
        if drive.recording.facts.link.adapter
    )
    pairs = [
        ("Report", material.number),
        ("Technician", job.technician),
        ("Vehicle", joined(" ", car.name, car.label)),
        ("Owner", job.customer.name),
        ("Registration", car.registration),
        ("Odometer", odometer(material)),
        ("Identification number", vin),
        ("Equipment", joined(", ", *adapters, material.software)),
        ("Drives before", _drives(material.drives_of("before"))),
        ("Drives after", _drives(material.drives_of("after"))),
        ("Drives", _drives(material.drives_of("other"))),
    ]
    shown = tuple((name, value) for name, value in pairs if value)
    yield Facts(shown, columns=2)


def _drives(drives: Sequence[Drive]) -> str:
    """When they were, and how long."""
    facts = [(d.recording.facts.started, round(d.recording.duration_ns / 60e9)) for d in drives]
    return "; ".join(
        f"{short_time(began)[:10] or 'date not known'}, {minutes} min" for began, minutes in facts
    )


def odometer(material: Material) -> str:
    """With where it was taken from, and what the car itself gives where that is something else."""
    car = material.job.vehicle
    if car.odometer_km is None:
        return ""
    source = " (read from the car)" if car.source("odometer_km") == "read" else " (typed in)"
    read = car.read_instead.get("odometer_km")
    if isinstance(read, float):
        source += f"; the car gives {material.units.thousands(read, 'km')}"
    return material.units.thousands(car.odometer_km, "km") + source


def _concern(material: Material) -> Iterator[Block]:
    if material.job.concern:
        yield Heading("Your concern", key="concern-first")
        yield Paragraph(cut(material.job.concern), "quote")


def _found(material: Material) -> Iterator[Block]:
    said = printed(material, "found", "causes")
    summary = said.pop("causes: summary", "")
    within = said.pop("found: within", "")
    found = [text for key, text in said.items() if key not in NOT_LOOKED_AT]
    yield Heading("What was found", key="found-first")
    yield Bullets(tuple(cut(text) for text in found[:MOST_FOUND]))
    yield from more(material, len(found) - MOST_FOUND, "more finding{s}", "found")
    if summary and found:
        yield Paragraph(cut(summary))
    if within:
        yield Paragraph(cut(within, _MOST_LIST), "small")


def _done(material: Material) -> Iterator[Block]:
    job = material.job
    done = [joined(": ", short_time(note.at_utc)[:10], note.text) for note in job.work]
    if job.parts:
        parts = (fill("{n:g} x {name}", n=p.quantity, name=p.name) for p in job.parts)
        done.append(joined(" ", "Parts:", ", ".join(parts)))
    done += [joined(": ", short_time(e.at_utc)[:10], e.kind) for e in job.events]
    agreed = [joined(", ", o.what, o.cost) for o in job.options if o.agreed]
    if agreed or job.agreement:
        done.append(joined(" ", "Agreed:", joined("; ", *agreed, job.agreement)))
    if done:
        yield Heading("What was done", key="done-first")
        yield Bullets(tuple(cut(text) for text in done[:MOST_DONE]))
        yield from more(material, len(done) - MOST_DONE, "more line{s}", "done")


def _shown(material: Material) -> Iterator[Block]:
    """Whether it is gone, and how sure that is."""
    said = list(printed(material, "after").values())
    if not said and not material.job.conclusion:
        return
    yield Heading("Is it gone?", key="after-first")
    for number, text in enumerate(said):
        yield Paragraph(cut(text, _MOST_TEXT if number else _MOST_LEAD))
    figure = after.bars_figure(material)
    if figure is not None:
        yield replace(figure, width=_CHART_SHARE)
    if material.job.conclusion:
        yield Paragraph(joined(" ", "The technician concludes:", cut(material.job.conclusion)))


def _not_examined(material: Material) -> Iterator[Block]:
    yield Heading("What was not examined", key="not-first")
    lacking = printed(material, "found").get(NOT_LOOKED_AT[0], "")
    yield Bullets((NOT_EXAMINED, cut(lacking, _MOST_LIST)) if lacking else (NOT_EXAMINED,))
    what = "part{s} not judged, with what to record"
    yield from more(material, len(lacking_parts(material)), what, "lacking")


def _next(material: Material) -> Iterator[Block]:
    yield Heading("What to do next", key="next-first")
    yield Bullets(tuple(cut(text) for text in printed(material, "next").values()))


def _limits(material: Material) -> Iterator[Block]:
    if material.job.restraint_work:
        yield Paragraph(RESTRAINT_CAUTION, "caution")
    yield Paragraph(RULES_OF_THUMB, "small")


# --- what is left out ---


def more(material: Material, count: int, what: str, key: str) -> Iterator[Block]:
    """How many are further on, and where: `what` of them, as `more finding{s}`."""
    if count <= 0:
        return
    text = f"{count} {what.format(s='' if count == 1 else 's')}"
    if material.options.has(_SECTION_OF.get(key, "limits")):
        yield More(text, key, TITLES[key])
    else:
        yield Paragraph(f"{text}: in the whole report.", "small")


def cut(text: str, most: int = _MOST_TEXT) -> str:
    """One paragraph of a length that leaves room for the others, cut after a sentence where that
    leaves half of it, else between words."""
    whole = in_label(text, most=10 * most) if isinstance(text, Foreign) else text
    shown = " ".join(whole.split())
    if len(shown) <= most:
        return shown
    kept = shown[:most]
    for end in (kept.rfind(". ") + 1, kept.rfind(" ")):
        if end > most // 2:
            kept = kept[:end]
            break
    return f"{kept.rstrip()} … (cut)"
