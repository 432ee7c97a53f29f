"""The first page: what was found and done, whether it is gone, what was not looked at, what to do
next, and who stands for it. It never fills more than one page; what it leaves out is counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

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
from logbench.report.options import TITLES, Section
from logbench.report.plainly import what_became
from logbench.report.sentences import (
    LOOKED_AT,
    NOT_LOOKED_AT,
    coverage_of,
    looked_at,
    name_of,
    printed,
)
from logbench.words import shown, tr, tr_n, word

SIMULATED = "This report is about a simulated car: no such car exists."
NOT_EXAMINED = (
    "Brakes, steering, tires, body, airbags, and all that the car's own computers do not report, "
    "were not examined by these recordings."
)
RULES_OF_THUMB = (
    "Usual ranges are rules of thumb of the trade or come from published sources; they are not "
    "the maker's specification, and no number here is a verdict on a part. Safety systems and "
    "inspections belong to licensed practice and to local rules, which come before anything in "
    "this report."
)
_SECTION_OF: dict[str, Section] = {
    "found": "found",
    "lacking": "found",
    "done": "done",
    "after": "after",
    "files": "files",
}


@dataclass(frozen=True, slots=True)
class Room:
    """How much the first page takes: statements of what was found, of what was done, of problems;
    words of a mere list; characters of a text; points of the chart's height, 0 for none."""

    found: int
    done: int
    problems: int
    listed: int
    text: int
    chart: float


ROOMS = (
    Room(10, 8, 3, 8, 420, 130.0),
    Room(6, 6, 2, 6, 420, 120.0),
    Room(5, 5, 2, 4, 360, 105.0),
    Room(4, 5, 2, 3, 320, 90.0),
    Room(3, 4, 2, 3, 320, 80.0),
    Room(2, 4, 2, 2, 260, 72.0),
    Room(2, 3, 2, 2, 220, 0.0),
    Room(1, 2, 1, 1, 110, 0.0),
)
"""From the widest to the closest: the first with which all fits on the page is printed."""
_MOST_FACT, _MOST_DRIVES = 110, 3


@dataclass(frozen=True, slots=True)
class _Page:
    """What one edition of the page is made of. `said`: all statements, by key."""

    material: Material
    said: dict[str, str]
    room: Room

    def of(self, kind: str) -> dict[str, str]:
        """The statements of one kind."""
        return {key: text for key, text in self.said.items() if key.partition(":")[0] == kind}

    def cut(self, text: str) -> str:
        """A text as long as the page has room for."""
        return cut(text, self.room.text)

    def list_of(
        self, texts: Sequence[str], most: int, rest: Callable[[int], str], key: str
    ) -> Iterator[Block]:
        """The first of them, and how many more are further on, under `key`, as `rest` says it."""
        if texts:
            yield Bullets(tuple(self.cut(text) for text in texts[:most]))
        if len(texts) > most:
            yield self.further(rest(len(texts) - most), key)

    def words(self, head: str, words: Sequence[str], key: str, ending: str = "") -> Iterator[Block]:
        """The first words of a mere list, how many more there are, and where; `ending`: what else
        is there."""
        shown = ", ".join(words[: self.room.listed])
        rest = len(words) - self.room.listed
        if rest > 0:
            shown = tr("{list}, and {n} more", list=shown, n=rest)
        if words and (rest > 0 or ending):
            yield self.further("; ".join(filter(None, (f"{head} {shown}", ending))), key)
        elif words:
            yield Paragraph(f"{head} {shown}.", "small")

    def further(self, text: str, key: str) -> Block:
        """That something is further on, and where; the owner's page has nothing after it."""
        if self.material.options.has(_SECTION_OF.get(key, "limits")):
            return More(text, key, TITLES[key])
        return Paragraph(tr("{text} in the whole report.", text=text), "small")


def fronts(material: Material) -> Iterator[tuple[Block, ...]]:
    """All of the page below its head, in editions that say less and less, for as much room as there
    turns out to be."""
    said = printed(material, "found", "causes", "after", "next")
    for room in ROOMS:
        page = _Page(material, said, room)
        yield (
            *_cautions(page),
            *_facts(material),
            *_concern(page),
            *_found(page),
            *_done(page),
            *_shown(page),
            *_not_examined(page),
            *_next(page),
            *_limits(material),
            Signatures(
                (
                    tr("Technician: done and found as stated"),
                    tr("Owner: received and explained"),
                ),
                tr("Date"),
            ),
        )


def _cautions(page: _Page) -> Iterator[Block]:
    """What must be read before anything else: of the evidence, then of the car, then what lacks."""
    material = page.material
    seal, problems, most = material.seal, material.problems, page.room.problems
    if seal.notable:
        yield Paragraph(cut(seal.sentence, 2 * page.room.text), "caution")  # it holds the first
        yield from page.list_of(seal.problems[1:], most - 1, _pieces, "files")
    if any(drive.recording.facts.link.simulated for drive in material.drives):
        yield Paragraph(SIMULATED, "caution")
    for problem in problems[:most]:
        yield Paragraph(page.cut(problem), "caution")
    if len(problems) > most:
        rest = tr_n("{n} more problem", "{n} more problems", len(problems) - most)
        yield page.further(rest, "limits")


def _facts(material: Material) -> Iterator[Block]:
    job, car = material.job, material.job.vehicle
    reading = material.before or material.after
    read_vin = (reading and reading.identity.vin) or car.identity.vin
    vin = joined(" ", read_vin, tr("(read from the car)")) if read_vin else car.vin
    adapters = dict.fromkeys(
        in_label(drive.recording.facts.link.adapter)
        for drive in material.drives
        if drive.recording.facts.link.adapter
    )
    pairs = [
        (tr("Report"), material.number),
        (tr("Technician"), job.technician),
        (tr("Car"), joined(" ", car.name, car.label)),
        (tr("Owner"), job.customer.name),
        (tr("Registration"), car.registration),
        (tr("Odometer"), odometer(material)),
        (tr("Identification number"), vin),
        (tr("Drives before"), _drives(material.drives_of("before"))),
        (tr("Drives after"), _drives(material.drives_of("after"))),
        (tr("Drives"), _drives(material.drives_of("other"))),
        (tr("Equipment"), joined(", ", *adapters, material.software)),
    ]
    shown = tuple((name, cut(value, _MOST_FACT)) for name, value in pairs if value)
    yield Facts(shown, columns=2)


def _drives(drives: Sequence[Drive]) -> str:
    """When they were, and how long; of several, with their names."""
    said: list[str] = []
    for drive in drives[:_MOST_DRIVES]:
        began = short_time(drive.recording.facts.started)[:10] or tr("date not known")
        minutes = round(drive.recording.duration_ns / 60e9)
        name = in_label(name_of(drive), most=24) if len(drives) > 1 else ""
        said.append(joined(" ", name, tr("{when}, {n} min", when=began, n=minutes)))
    if len(drives) > _MOST_DRIVES:
        said.append(tr("{n} more", n=len(drives) - _MOST_DRIVES))
    return joined("; ", *said)


def odometer(material: Material) -> str:
    """With where it was taken from, and what the car itself gives where that is something else."""
    car = material.job.vehicle
    if car.odometer_km is None:
        return ""
    shown = material.units.thousands(car.odometer_km, "km")
    if car.source("odometer_km") == "read":
        return tr("{shown} (read from the car)", shown=shown)
    read = car.read_instead.get("odometer_km")
    if not isinstance(read, float):
        return tr("{shown} (typed in)", shown=shown)
    other = material.units.thousands(read, "km")
    return tr("{shown} (typed in); the car gives {other}", shown=shown, other=other)


def _concern(page: _Page) -> Iterator[Block]:
    if page.material.job.concern:
        yield Heading(tr("Your concern"), key="concern-first")
        yield Paragraph(page.cut(page.material.job.concern), "quote")


def _found(page: _Page) -> Iterator[Block]:
    yield Heading(tr("What was found"), key="found-first")
    apart = (*NOT_LOOKED_AT, LOOKED_AT)
    found = [text for key, text in page.of("found").items() if key not in apart]
    yield from page.list_of(found, page.room.found, _findings, "found")
    summary = page.said.get("causes: summary", "")
    if summary and found:
        yield Paragraph(page.cut(summary))
    if LOOKED_AT in page.material.job.sentences:
        yield Paragraph(page.cut(page.said[LOOKED_AT]), "small")
    else:
        within = coverage_of(looked_at(page.material)).within
        yield from page.words(tr("Looked at and within their usual ranges:"), within, "found")


def _done(page: _Page) -> Iterator[Block]:
    job = page.material.job
    done = [joined(": ", short_time(note.at_utc)[:10], note.text) for note in job.work]
    if job.parts:
        parts = (fill("{n:g} x {name}", n=p.quantity, name=p.name) for p in job.parts)
        done.append(joined(" ", tr("Parts:"), ", ".join(parts)))
    done += [joined(": ", short_time(e.at_utc)[:10], word(e.kind)) for e in job.events]
    agreed = [joined(", ", o.what, o.cost) for o in job.options if o.agreed]
    if agreed or job.agreement:
        done.append(joined(" ", tr("Agreed:"), joined("; ", *agreed, job.agreement)))
    if done:
        yield Heading(tr("What was done"), key="done-first")
        yield from page.list_of(done, page.room.done, _lines, "done")


def _shown(page: _Page) -> Iterator[Block]:
    """Whether it is gone, and how sure that is."""
    material, said = page.material, page.of("after")
    if not said and not material.job.conclusion:
        return
    yield Heading(tr("Is it gone?"), key="after-first")
    comparison = material.comparison
    if comparison is not None and "after: comparison" not in material.job.sentences:
        del said["after: comparison"]
        said.pop("after: worse", "")
        yield Bullets(tuple(what_became(comparison, material.units)))
        yield page.further(tr("How they were compared, and all else that changed, is"), "after")
    if said:
        yield Bullets(tuple(map(page.cut, said.values())))
    if page.room.chart and (figure := after.bars_figure(material, page.room.chart)):
        yield figure
    if material.job.conclusion:
        yield Paragraph(
            joined(" ", tr("The technician concludes:"), page.cut(material.job.conclusion))
        )


def _not_examined(page: _Page) -> Iterator[Block]:
    yield Heading(tr("What was not examined"), key="not-first")
    yield Bullets((NOT_EXAMINED,))
    key = NOT_LOOKED_AT[0]
    if key in page.material.job.sentences:
        yield Paragraph(page.cut(page.said[key]))
    lacking = coverage_of(looked_at(page.material)).lacking
    ending = tr("what to record for each is")
    yield from page.words(tr("Could not be judged:"), lacking, "lacking", ending)


def _next(page: _Page) -> Iterator[Block]:
    yield Heading(tr("What to do next"), key="next-first")
    yield Bullets(tuple(map(page.cut, page.of("next").values())))


def _limits(material: Material) -> Iterator[Block]:
    if material.job.restraint_work:
        yield Paragraph(RESTRAINT_CAUTION, "caution")
    yield Paragraph(RULES_OF_THUMB, "small")


# --- what is left out ---


def _pieces(n: int) -> str:
    return tr_n("{n} more such piece", "{n} more such pieces", n)


def _findings(n: int) -> str:
    return tr_n("{n} more finding", "{n} more findings", n)


def _lines(n: int) -> str:
    return tr_n("{n} more line", "{n} more lines", n)


def cut(text: str, most: int) -> str:
    """One paragraph of a length that leaves room for the others, cut after a sentence where that
    leaves half of it, else between words."""
    whole = in_label(text, most=10 * most) if isinstance(text, Foreign) else text
    whole = " ".join(shown(whole).split())
    if len(whole) <= most:
        return whole
    kept = whole[:most]
    for end in (kept.rfind(". ") + 1, kept.rfind(" ")):
        if end > most // 2:
            kept = kept[:end]
            break
    return tr("{kept} … (cut)", kept=kept.rstrip())
