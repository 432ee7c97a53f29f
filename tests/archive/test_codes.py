"""Codes that jobs have read out of cars, in SQL and found by words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.archive.find import Filter, paths_of
from logbench.archive.kept import forget_rows
from logbench.archive.store import LocalStore
from logbench.archive.tables import read_table
from logbench.job.folder import create_job
from logbench.vehicle.records.model import CarReading, Code
from tests.archive.conftest import make

AT = "2026-05-04T07:00:00+00:00"
SQL = "SELECT job, role, at_utc, ecu, code, status, about FROM codes ORDER BY code"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A job with two readings and a drive, and a drive outside of it."""
    folder = tmp_path / "archive"
    make(folder / "van.parquet")
    home, job = create_job(folder, "Rough idle")
    codes = [
        Code(code="P0171", state="stored", ecu="7E8", text="Too lean, bank 1"),
        Code(code="P0420", state="pending", ecu="7E8"),
    ]
    home.add_reading(job, CarReading(read_utc=AT, codes=codes), "before")
    home.add_reading(job, CarReading(read_utc="2026-05-06T07:00:00+00:00"), "after")
    home.save(job)
    make(folder / "Rough idle/recordings/a.parquet", car="hatch")
    return folder


def test_what_a_job_has_read_is_a_view(root: Path, opened):
    """`readings` listed entries only."""
    rows = opened().query(SQL).table.to_pylist()
    common = {"job": "Rough idle", "role": "before", "at_utc": AT, "ecu": "7E8"}
    assert rows == [
        common | {"code": "P0171", "status": "stored", "about": "Too lean, bank 1"},
        common | {"code": "P0420", "status": "pending", "about": ""},
    ]


@pytest.mark.parametrize("words", ["p0171", "lean bank", "hatch P0420"])
def test_drives_are_found_by_the_codes_of_their_job(root: Path, opened, words: str):
    found = paths_of(opened().find(Filter(words=words)))
    assert found == ["Rough idle/recordings/a.parquet"]


def test_a_reading_is_read_once_and_again_when_it_changes(root: Path, opened, monkeypatch):
    opened().rows(SQL)
    read: list[str] = []
    real = LocalStore.open

    def counted(self, path: str):
        read.append(path)
        return real(self, path)

    monkeypatch.setattr(LocalStore, "open", counted)
    assert len(opened().rows(SQL)) == 2
    assert not [path for path in read if path.endswith(".json")]
    (file,) = (root / "Rough idle/readings").glob("*before.json")
    text = file.read_text("utf-8")
    file.write_text(text.replace("P0420", "P0300"), "utf-8")
    assert [row["code"] for row in opened().rows(SQL)] == ["P0171", "P0300"]
    for spoiled in ("{", "[]", '{"codes": 3}', json.dumps({"codes": ["x"]})):
        file.write_text(spoiled, "utf-8")
        assert opened().rows(SQL) == []


def test_what_is_forgotten_is_out_of_what_is_kept(root: Path, opened):
    archive: Archive = opened()
    archive.rows(SQL)
    forget_rows(archive.cache, ["Rough idle/job.toml"])
    assert read_table(next(archive.cache.glob("codes*"))).num_rows == 0
