"""What an archive's recordings can be chosen by, and the words they are found by."""

from __future__ import annotations

import pytest

from logbench.archive.find import Filter
from logbench.archive.overview import Catalog
from logbench.archive.sweep import sweep_checks


@pytest.fixture
def seen(opened) -> Catalog:
    archive = opened()
    sweep_checks(archive, only=("fuel_trim",), processes=1)
    return Catalog(archive)


def test_each_facet_counts_what_the_others_leave(seen: Catalog):
    whole = seen.facets
    assert whole.cars == {"hatch": 1, "truck": 1, "van": 3}
    rows, found = seen.look(Filter(cars=("van",), finding="fuel_trim:act"))
    assert [row.recording for row in rows] == ["van/c.parquet"]
    assert found.cars == {"van": 1}  # of those with that finding
    assert found.verdicts["within"] == 2  # of vans
    assert found.checks == {"fuel_trim": 1}
    assert found.signals["RPM"] == 1
    assert (found.recordings, found.checked) == (5, 5)
    rows, found = seen.look(Filter(words="nowhere", cars=("van",)))
    assert (rows, found.cars, found.signals) == ([], {"van": 0}, {})


def test_words_of_findings_are_found(seen: Catalog):
    """Only what a file and its notes say was."""
    rows, _ = seen.look(Filter(words="fuel_trim"))
    assert [row.recording for row in rows] == ["van/c.parquet"]  # not those that are within
    rows, _ = seen.look(Filter(words="fuel_trim hatch"))
    assert rows == []
