"""Pictures of all drives: the code that is copied gives the same numbers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

import logbench
from logbench.analysis.expression.checked import condition
from logbench.archive.archive import Archive
from logbench.archive.find import Filter, paths_of
from logbench.archive.fleet import Fleet
from logbench.archive.picture_rows import Numbers, numbers_of_picture
from logbench.archive.pictures import (
    AgainstKind,
    BeforeAndAfter,
    NumberByDate,
    Picture,
    TrimMap,
    WarmUpCurves,
    python_of_picture,
    sql_of_picture,
)
from logbench.archive.query import Sql
from logbench.archive.sweep import sweep_checks
from logbench.archive.trend import trend_of
from logbench.errors import QueryError, UsageError
from logbench.signals.units import Units
from tests.archive.conftest import make

IDLE = "fuel_trim:bank 1, warm idle"
JOB = """
title = "Lean at idle"
created_utc = "2026-02-20T08:00:00+00:00"
work = [{at_utc = "2026-02-20T12:00:00+00:00", text = "Sealed the intake"}]
events = [{at_utc = "2026-02-20T13:00:00+00:00", kind = "codes cleared", text = "P0171"}]
recordings = [{file = "after.parquet", role = "after"}]
[vehicle]
label = "van"
"""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """Seven drives of a van, of which two came after a repair, two cars of its kind, and others."""
    folder = tmp_path_factory.mktemp("pictures")
    root = folder / "archive"
    for k in range(5):
        make(root / f"van/{k}.parquet", started=f"2026-01-{k + 1:02d}T10:00:00+00:00", trim=5 + k)
    make(root / "job/after.parquet", started="2026-02-20T11:00:00+00:00", trim=0.0)
    make(root / "van/late.parquet", started="2026-03-01T10:00:00+00:00", trim=0.5, rpm=1200.0)
    make(root / "wagon.parquet", car="the 'wagon'", liters=1.82, trim=2.0, started="2026-01-01")
    make(root / "coupe.parquet", car="coupe", liters=1.78, trim=3.0, started="")
    make(root / "truck.parquet", car="truck", liters=5.0, trim=8.0)
    make(root / "unnamed.parquet", car="", trim=9.0)
    (root / "job/job.toml").write_text(JOB)
    made: Fleet = logbench.archive(root, cache=folder / "cache")
    sweep_checks(made._archive, processes=1, only=["fuel_trim"])
    yield made
    made._archive._questions.close()


PICTURES: list[Picture] = [
    WarmUpCurves("van"),
    TrimMap(),
    AgainstKind("van", IDLE),
    NumberByDate("van", IDLE),
    BeforeAndAfter("van", IDLE),
]
FILTERS = [
    Filter(since="2026-01-02", cars=("van", "the 'wagon'"), words="a", finding="fuel_trim"),
    Filter(condition=condition("mean(RPM, 5 s) < 1000 and ECT > 190", Units(us=True))),
    Filter(),
    Filter(condition=condition("SHRTFT1 above 2")),
    Filter(),
]


def numbers(fleet: Fleet, picture: Picture, chosen: Filter | None = None) -> Numbers:
    drives = paths_of(fleet._archive.find(chosen))
    return numbers_of_picture(fleet._archive, picture, drives)


@pytest.mark.parametrize(("picture", "chosen"), [*zip(PICTURES, FILTERS, strict=True)])
def test_the_copied_code_gives_the_numbers_of_the_picture(fleet, picture, chosen, monkeypatch):
    drives = paths_of(fleet._archive.find(chosen))
    found = numbers(fleet, picture, chosen)
    assert found.table.num_rows
    answered = fleet.query(sql_of_picture(picture, chosen, drives))
    assert answered.to_pydict() == found.table.to_pydict()
    monkeypatch.setattr(logbench, "archive", lambda place: {fleet._archive.place: fleet}[place])
    names: dict[str, Numbers] = {}
    exec(python_of_picture(picture, fleet._archive.place, chosen, drives), names)
    assert names["picture"].df().equals(found.df())


def test_a_warm_up_has_the_samples_as_of_every_ten_seconds(fleet):
    frame = numbers(fleet, PICTURES[0]).df()
    assert set(frame["recording"]) == set(fleet.find())
    one = frame[frame["recording"] == "van/late.parquet"]
    trace = fleet.open("van/late").trace("ECT")
    assert list(one["t_s"]) == list(range(0, 601, 10))
    at = np.searchsorted(trace.t_s, one["t_s"], side="right") - 1
    assert list(one["ect_degc"]) == list(trace.value[at])


def test_a_cell_of_the_map_is_the_median_of_its_drives_and_names_them(fleet):
    found = numbers(fleet, PICTURES[1])
    cells = {(row["rpm_from"], row["load_from"]): row for row in found.table.to_pylist()}
    assert set(cells) == {(400.0, 30.0), (1000.0, 30.0)}
    behind = [row for row in found.each.to_pylist() if row["rpm_from"] == 400.0]
    assert len(behind) == cells[400.0, 30.0]["drives"] == 10
    assert cells[400.0, 30.0]["seconds"] == sum(row["seconds"] for row in behind)
    medians = {row["recording"]: row["trim_pct"] for row in behind}
    assert cells[400.0, 30.0]["trim_pct"] == np.median(list(medians.values()))
    assert medians["truck.parquet"] == pytest.approx(16.0, abs=0.2)
    assert cells[1000.0, 30.0]["trim_pct"] == pytest.approx(1.0, abs=0.2)


def test_only_cars_of_its_kind_stand_beside_a_car_each_once(fleet):
    rows = numbers(fleet, PICTURES[2]).table.to_pylist()
    assert [row["car"] for row in rows if not row["this_car"]] == ["the 'wagon'", "coupe"]
    assert sum(row["this_car"] for row in rows) >= 6


def test_dated_drives_stand_by_date_with_the_cars_band(fleet):
    found = numbers(fleet, PICTURES[3])
    started = found.df()["started"]
    assert started.is_monotonic_increasing
    assert "coupe.parquet" not in set(found.df()["recording"])  # it has no date
    life = trend_of(fleet._archive, IDLE, "van", exact=True).life
    assert life is not None
    assert list(found.bands()["low"]) == [state.low for state in life.states]
    assert numbers(fleet, NumberByDate("", IDLE)).bands().empty


def test_what_was_done_to_a_car_stands_between_its_drives(fleet):
    rows = numbers(fleet, PICTURES[4]).table.to_pylist()
    told = [row["kind"] for row in rows if row["kind"] != "drive"]
    assert told == ["job opened", "work", "codes cleared"]
    parts = {row["recording"]: row["part"] for row in rows if row["recording"]}
    assert parts["job/after.parquet"] == parts["van/late.parquet"] == 1
    assert parts["van/4.parquet"] == 0
    assert {row["text"] for row in rows if row["kind"] == "work"} == {"Sealed the intake"}


def test_stopped_half_way_it_goes_on_and_reads_a_changed_file_anew(tmp_path: Path, monkeypatch):
    monkeypatch.setattr("logbench.archive.picture_rows.AT_ONCE", 1)
    for name in "abc":
        make(tmp_path / f"archive/{name}.parquet")
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    read: list[tuple[int, int]] = []

    def stop(_: str, done: int, of: int) -> None:
        read.append((done, of))
        if done == 1:
            raise KeyboardInterrupt

    def listen(_: str, done: int, of: int) -> None:
        read.append((done, of))

    with pytest.raises(KeyboardInterrupt):
        numbers_of_picture(archive, WarmUpCurves(), progress=stop)
    numbers_of_picture(archive, WarmUpCurves(), progress=listen)
    assert read == [(0, 3), (1, 3), (0, 2), (1, 2)]
    (tmp_path / "archive/b.parquet").unlink()
    make(tmp_path / "archive/b.parquet", ect=40.0)
    archive.refresh()
    frame = numbers_of_picture(archive, WarmUpCurves(), progress=listen).df()
    assert read[4:] == [(0, 1)]
    assert set(frame.loc[frame["recording"] == "b.parquet", "ect_degc"]) == {40.0}
    assert len(frame) == 3 * 61


def test_a_damaged_recording_is_left_out_and_what_none_holds_is_said(tmp_path: Path):
    for name in "ab":
        make(tmp_path / f"archive/{name}.parquet")
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    archive.refresh()
    damaged = bytearray((tmp_path / "archive/a.parquet").read_bytes())
    damaged[4 : len(damaged) // 2] = bytes(len(damaged) // 2 - 4)
    (tmp_path / "archive/a.parquet").write_bytes(bytes(damaged))
    found = numbers_of_picture(archive, WarmUpCurves())
    assert set(found.df()["recording"]) == {"b.parquet"}
    with pytest.raises(UsageError, match="No recording of this archive holds"):
        numbers_of_picture(archive, TrimMap(bank=2))
    with pytest.raises(QueryError, match="run the checks first"):
        numbers_of_picture(archive, NumberByDate("van", IDLE))


def test_a_few_drives_meet_what_cars_did_by_sorting_not_row_by_row():
    """Row by row, a map of 20 drives of 3,000 took 45 s; sorted, it takes one or two."""
    states = pa.table({"recording": ["a"], "start_ns": [0]})
    times = pa.table({"recording": ["a"], "at_ns": [1]})
    with Sql({"known": states, "times": times}) as sql:
        plan = sql._connection.execute("""EXPLAIN SELECT * FROM times t ASOF LEFT JOIN known s
            ON t.recording = s.recording AND t.at_ns >= s.start_ns""").fetchall()
    text = str(plan)
    assert "Asof Join" in text
    assert "Nested Loop" not in text
