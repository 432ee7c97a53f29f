"""What explains it, in a report: a paragraph for the owner, the table for the technician, the tests
that were done and what they ruled out, and the next one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from logbench.analysis.causes.hand_tests import after_tests
from logbench.analysis.causes.model import Causes, Ranked, Weight
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.causes.sentence import (
    NO_VERDICT,
    cause_words,
    no_test,
    ruled_out,
    share_text,
)
from logbench.analysis.statement import in_units
from logbench.foreign import joined
from logbench.job.times import short_time
from logbench.report.blocks import Block, Bullets, Heading, Paragraph, Table
from logbench.report.gather import Material
from logbench.report.sentences import printed
from logbench.signals.units import Units
from logbench.words import shown, tr

LEAST_SHOWN, MOST_SHOWN, MOST_WEIGHTS = 0.02, 6, 3


def section(material: Material) -> Iterator[Block]:
    """The whole section; nothing where there is nothing to weigh."""
    if material.causes is None:
        return
    done = [test.done for test in material.job.tests]
    now = after_tests(material.causes, done)
    yield Heading("What may explain it")
    yield Paragraph(printed(material, "causes")["causes: summary"])
    yield Paragraph(NO_VERDICT, "small")
    yield _table(now, material.units)
    if now.unexplained:
        words = tuple(in_units(one.words, material.units) for one in now.unexplained)
        yield Heading("What the first of them does not explain", 2)
        yield Bullets(words, "small")
    if done:
        yield _tests(material, material.causes)
    proposed = next_tests(now, material.engine, done)
    if proposed:
        test = proposed[0].test
        yield Paragraph(
            tr(
                "The test that tells most for its time: {title} ({minutes:g} min). {what}",
                title=shown(test.title),
                minutes=test.minutes,
                what=shown(test.what),
            )
        )
        yield Bullets(tuple(shown(caution.text) for caution in test.cautions), "small")
    else:
        yield Paragraph(in_units(no_test(now), material.units))


def _table(causes: Causes, units: Units) -> Table:
    shown = [one for one in causes.ranked if one.probability >= LEAST_SHOWN][:MOST_SHOWN]
    rows = tuple(_row(one, units) for one in shown)
    return Table(
        "Causes, with how probable each is",
        ("cause", "probability", "for it", "against it"),
        rows,
        (22, 12, 36, 30),
        small=True,
    )


def _row(one: Ranked, units: Units) -> tuple[str, str, str, str]:
    return (
        cause_words(one.cause),
        share_text(one.probability),
        _seen(one.pro, units),
        _seen(one.contra, units),
    )


def _seen(weights: Iterable[Weight], units: Units) -> str:
    words = [in_units(weight.observation.words, units) for weight in weights]
    return " · ".join(words[:MOST_WEIGHTS]) or "–"


def _tests(material: Material, recorded: Causes) -> Table:
    rows, before = [], recorded
    tests = material.job.tests
    for number, test in enumerate(tests, 1):
        after = after_tests(recorded, [one.done for one in tests[:number]])
        did = in_units(ruled_out(before, after, test.done), material.units) or "–"
        words = joined(". ", in_units(test.done.words, material.units), test.remark)
        rows.append((short_time(test.at_utc), words, did))
        before = after
    return Table(
        "Tests done by hand",
        ("when", "test and outcome", "what it did"),
        tuple(rows),
        (16, 44, 40),
        small=True,
    )
