"""What may explain it, in the report: for owner and technician, with the tests that were done."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logbench.analysis.causes.hand_tests import HAND_TESTS
from logbench.analysis.causes.sentence import cause_words
from logbench.job.model import Job, JobTest
from logbench.report.blocks import Bullets, Heading, Paragraph, Table
from logbench.report.causes import section
from logbench.report.document import make_document
from logbench.report.gather import Material
from tests.analysis.causes.handmade import LEAN


def told(material: Material, tests: list[JobTest]) -> list[object]:
    job = material.job.model_copy(update={"tests": tests}, deep=True)
    return list(section(replace(material, job=job, causes=LEAN)))


def test_the_causes_of_the_drive_before_are_weighed_for_the_report(material: Material):
    assert material.causes is not None
    assert sum(h.probability for h in material.causes.hypotheses) == pytest.approx(1.0)
    headings = [b.text for b in make_document(material).blocks if isinstance(b, Heading)]
    assert "What may explain it" in headings


def test_the_table_has_each_cause_and_the_paragraph_is_no_verdict(material: Material):
    blocks = told(material, [])
    (table,) = (b for b in blocks if isinstance(b, Table))
    assert [row[:2] for row in table.rows] == [
        (cause_words("unmetered_air"), "45 %"),
        (cause_words("maf_low"), "40 %"),
        (cause_words("weak_fuel"), "10 %"),
        (cause_words("not_listed"), "5 %"),
    ]
    texts = [b.text for b in blocks if isinstance(b, Paragraph)]
    assert "One of two" in texts[0]
    assert "Not a verdict on a part" in texts[1]
    next_one = next(t for t in HAND_TESTS.values() if t.title in texts[2])
    cautions = [b for b in blocks if isinstance(b, Bullets)]
    assert cautions[-1].items == tuple(c.text for c in next_one.cautions)


def test_tests_done_stand_with_their_time_and_what_they_ruled_out(material: Material):
    tests = [
        JobTest(at_utc="2026-05-04T09:00:00+00:00", test="smoke_test", outcome="leak",
                remark="at the servo"),
        JobTest(at_utc="2026-05-04T09:30:00+00:00", test="of_next_year", outcome="bad"),
    ]  # fmt: skip
    _, table = (b for b in told(material, tests) if isinstance(b, Table))
    assert table.rows[0][1] == (
        "Smoke test of the intake: smoke escapes from the intake. at the servo"
    )
    assert "points to unmetered air" in table.rows[0][2]
    assert "all but rules out" in table.rows[0][2]
    assert table.rows[1][1:] == ("of_next_year: bad", "–")


def test_a_job_with_nothing_to_weigh_has_no_such_section(material: Material):
    assert list(section(replace(material, job=Job(), causes=None))) == []
