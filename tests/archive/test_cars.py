"""Several cars under one name: told apart in lists, facets and trends."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.archive.overview import Catalog, numbers_of
from logbench.archive.sweep import sweep_checks
from logbench.archive.trend import trend_of
from logbench.car.identity import Identity
from logbench.car.known import KnownCars
from logbench.cases.archive import follow_number
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import UsageError
from tests.archive.conftest import make

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    for month, vin in enumerate((FIRST, SECOND, FIRST, ""), start=1):
        started = f"2026-0{month}-10T10:00:00+00:00"
        make(folder / f"{month}.parquet", "customer", started, trim=3.0 * month, vin=vin)
    return folder


def swept(root: Path, tmp_path: Path, known: KnownCars | None = None) -> Archive:
    archive = Archive(root, tmp_path / "cache", known)
    sweep_checks(archive, only=("fuel_trim",), processes=1)
    return archive


def test_two_cars_of_one_name_are_two(root, tmp_path):
    archive = swept(root, tmp_path)
    names = {f"customer · {FIRST}": 2, f"customer · {SECOND}": 1, "customer": 1}
    assert Catalog(archive).facets.cars == names
    (number, *_) = numbers_of(archive, f"customer · {FIRST}")
    trended = run_here(follow_number(archive, number.name, f"customer · {FIRST}"))
    assert [Path(point.recording).name for point in trended.points] == ["1.parquet", "3.parquet"]
    assert trended.unsure == 0


def test_a_part_of_two_cars_names_is_refused_with_both(root, tmp_path, monkeypatch, capsys):
    archive = swept(root, tmp_path)
    (number, *_) = numbers_of(archive, f"customer · {FIRST}")
    with pytest.raises(UsageError, match=FIRST) as refused:
        trend_of(archive, number.name, "customer")
    assert SECOND in str(refused.value)
    assert len(trend_of(archive, number.name, SECOND).points) == 1


def test_those_said_to_be_one_car_are_one_and_what_gives_no_vin_is_told(root, tmp_path):
    known = KnownCars()
    known.answer(Identity(vin=FIRST), Identity(vin=SECOND), same=True)
    archive = swept(root, tmp_path, known)
    assert Catalog(archive).facets.cars == {"customer": 4}
    (number, *_) = numbers_of(archive, "customer")
    trended = run_here(follow_number(archive, number.name, "customer"))
    assert (len(trended.points), trended.unsure) == (4, 1)


def test_the_terminal_says_what_cannot_be_told(root, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    (root / "2.parquet").unlink()
    assert main(["archive", "sweep", str(root)]) == 0
    assert main(["archive", "trend", str(root), "fuel_trim:bank 1, warm idle", "customer"]) == 0
    assert "give no VIN: 1" in capsys.readouterr().out
