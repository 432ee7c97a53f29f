"""The list of changed lines fits the tree; a tenth of it by date is noticed (`tests/mutate.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.mutate import ROOT, TENTH, Mutation, StaleError, copied, mutations, of_day, survived

ALL = mutations()
TODAY = of_day(ALL, datetime.now(UTC).date())


@pytest.fixture(scope="module")
def tree() -> Iterator[Path]:
    with copied() as made:
        yield made


@pytest.mark.parametrize("mutation", ALL, ids=str)
def test_each_is_a_line_of_the_tree_and_a_test_of_it(mutation: Mutation):
    source = (ROOT / mutation.file).read_text(encoding="utf-8")
    compile(mutation.applied(source), mutation.file, "exec")
    assert mutation.applied(source) != source
    for test in mutation.tests:
        path, *names = test.split("::")
        name = names[-1].split("[")[0] if names else ""
        assert name in (ROOT / path).read_text(encoding="utf-8")


@pytest.mark.parametrize("mutation", TODAY, ids=str)
def test_a_test_notices(mutation: Mutation, tree: Path):
    assert survived(mutation, tree) == ""


def test_each_package_has_lines_in_the_list():
    packages = {file.parent.name for file in ROOT.glob("logbench/*/__init__.py")}
    assert packages <= {Path(mutation.file).parts[1] for mutation in ALL}


def test_in_ten_days_each_had_its_day():
    days = [datetime(2026, 1, 1 + n, tzinfo=UTC).date() for n in range(TENTH)]
    assert sorted(str(m) for day in days for m in of_day(ALL, day)) == sorted(map(str, ALL))


def test_a_line_that_is_gone_or_not_alone_is_an_error():
    gone = Mutation("a.py", "x = 3", "x = 4", ())
    with pytest.raises(StaleError):
        gone.applied("x = 2\n")
    with pytest.raises(StaleError):
        gone.applied("x = 3\ny = 1\nx = 3\n")
    assert Mutation("a.py", "x = 3", "x = 4", (), after="y = 1").applied(
        "x = 3\ny = 1\n  x = 3\n"
    ) == "x = 3\ny = 1\n  x = 4\n"  # fmt: skip


def test_a_change_that_no_test_notices_survives(tree: Path):
    """The script can fail: a constant that the named test does not look at."""
    idle = Mutation(
        "logbench/recording/journal.py",
        "INTERVAL_S = 0.4",
        "INTERVAL_S = 0.39",
        ("tests/car/test_vin.py",),
    )
    assert "test_vin.py" in survived(idle, tree)
    assert "INTERVAL_S = 0.4\n" in (tree / idle.file).read_text(encoding="utf-8")
