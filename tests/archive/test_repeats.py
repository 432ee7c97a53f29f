"""What an archive learns of how its cars move from drive to drive."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logbench.analysis.comparison import daily
from logbench.analysis.comparison.daily import CellMean, DayNumbers
from logbench.analysis.repeats import OF_CARS
from logbench.archive import repeats
from logbench.archive.archive import Archive
from logbench.archive.days import day_of
from logbench.archive.repeats import drives_in, learned_of, lives_of, repeats_in
from logbench.archive.sweep import sweep_checks
from logbench.archive.trend import trend_of
from logbench.car.known import KnownCars
from logbench.cases.settings import Settings
from logbench.cli.main import main
from logbench.job.folder import create_job
from logbench.job.model import Job, RecordingEntry
from logbench.recording.model import Facts
from logbench.recording.reader import open_recording
from logbench.report.gather import gather
from logbench.report.options import ReportOptions
from tests.archive.conftest import make

IDLE = "fuel trim: bank 1, warm idle"
TRIMS = (2.0, 2.4, 1.5, 2.2, 1.8, 2.6)


def drives(folder: Path, trims=TRIMS, car: str = "van", first: int = 0, **facts: str) -> list[Path]:
    return [
        make(
            folder / f"{car}/{k}.parquet",
            car,
            f"2026-03-{k + 1:02d}T10:00:00+00:00",
            trim=trim,
            n=1200 + k + 100 * len(car),  # other samples each
            **facts,
        )
        for k, trim in enumerate(trims, start=first)
    ]


@pytest.fixture
def place(tmp_path, monkeypatch) -> Path:
    """An archive whose cache is the user's."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    return tmp_path / "archive"


def swept(place: Path) -> Archive:
    archive = Archive(place)
    sweep_checks(archive, processes=1)
    return archive


def learned(archive: Archive):
    found = drives_in(archive.index.recordings, archive.cache)
    return {one.name: one for one in lives_of(found, ())}


def test_the_days_are_kept_and_made_for_new_drives_only(place, monkeypatch):
    drives(place, TRIMS[:4])
    before = learned(swept(place))
    assert before[IDLE].drives == 4
    assert before["TOTAL_TRIM1"].scatter.drives == 4
    drives(place, TRIMS[4:], first=4)
    archive = Archive(place)
    assert sweep_checks(archive, processes=1).done == 2
    after = learned(archive)
    assert after[IDLE].drives == 6
    assert after[IDLE].scatter.drive < before[IDLE].scatter.drive < OF_CARS.of(IDLE).drive
    assert after[IDLE].life.states[-1].median == pytest.approx(2.0 * np.median(TRIMS), abs=0.2)


def test_what_is_no_number_is_not_kept(monkeypatch):
    nan, inf = float("nan"), float("inf")
    cells = (
        CellMean("SHRTFT1", "MAP", 1, 2.0, 0.1, 800.0, 30.0),
        CellMean("SHRTFT1", "MAP", 2, nan, 0.1, 800.0, 30.0),
        CellMean("SHRTFT1", "MAP", 3, 2.0, inf, 800.0, 30.0),
    )
    numbers = DayNumbers((("a: b", 1.0, nan), ("a: c", inf, 1.0), ("a: d", nan, 1.0)), cells)
    monkeypatch.setattr(daily, "numbers_of", lambda view, findings: numbers)
    row = day_of(SimpleNamespace(facts=Facts()), [])
    assert [f["name"] for f in row["findings"]] == ["a: b"]
    assert [c["cell"] for c in row["cells"]] == [1]


def test_a_drive_that_is_there_twice_counts_once(place):
    made = drives(place)
    (place / "copy").mkdir()
    (place / "copy/again.parquet").write_bytes(made[0].read_bytes())
    assert learned(swept(place))[IDLE].drives == len(TRIMS)


def test_a_file_that_is_another_now_counts_as_it_is_now(place):
    made = drives(place)
    swept(place)
    made[0].unlink()
    make(made[0], trim=3.0, n=1300, started="2026-03-01T10:00:00+00:00")
    archive = Archive(place)
    assert len(drives_in(archive.index.recordings, archive.cache)) == len(TRIMS) - 1
    sweep_checks(archive, processes=1)
    assert len(drives_in(archive.index.recordings, archive.cache)) == len(TRIMS)


def test_part_of_the_cache_that_is_damaged_costs_that_part_only(place):
    drives(place)
    archive = swept(place)
    (part,) = archive.cache.glob("days/*/*.parquet")
    part.with_name("0.parquet").write_bytes(b"PAR1 no")
    assert len(drives_in(archive.index.recordings, archive.cache)) == len(TRIMS)


def test_only_drives_of_the_same_car_teach_and_never_the_drive_itself(place):
    (first, *_) = drives(place, vin="ZZ9TEST120X000007")
    drives(place, car="hatch", vin="ZZ9TEST170X000001")
    other = make(place / "x.parquet", "van", "2026-05-01T10:00:00+00:00", vin="ZZ9TEST170X000001")
    swept(place)
    of_van = repeats_in(str(place), KnownCars(), [open_recording(first).facts])
    assert of_van.of(IDLE).drives == len(TRIMS) - 1
    of_hatch = repeats_in(str(place), KnownCars(), [open_recording(other).facts])
    assert of_hatch.of(IDLE).drives == len(TRIMS)  # the van by its name, the hatch by its VIN


def test_a_name_decides_where_no_vin_is_known(place, tmp_path):
    drives(place)
    drives(place, car="hatch", trims=(7.0, 8.0))
    swept(place)
    here = open_recording(make(tmp_path / "new.parquet", "van")).facts
    assert repeats_in(str(place), KnownCars(), [here]).of(IDLE).drives == len(TRIMS)
    here = open_recording(make(tmp_path / "none.parquet", "")).facts
    assert repeats_in(str(place), KnownCars(), [here]) == OF_CARS


def test_without_an_archive_or_before_the_first_look_nothing_is_learned(place, tmp_path):
    drives(place)
    here = open_recording(make(tmp_path / "new.parquet", "van")).facts
    assert repeats_in("", KnownCars(), [here]) == OF_CARS
    assert repeats_in(str(place), KnownCars(), [here]) == OF_CARS


def test_nothing_is_read_but_what_is_kept(place, tmp_path, monkeypatch):
    made = drives(place)
    swept(place)
    here = open_recording(make(tmp_path / "new.parquet", "van")).facts
    for path in made:
        path.write_bytes(b"")
    assert repeats_in(str(place), KnownCars(), [here]).of(IDLE).drives == len(TRIMS)


def test_drives_before_and_after_a_repair_are_not_held_against_each_other(place):
    place.mkdir()
    folder, job = create_job(place, "job", Job(title="leak"))
    drives(folder.path / "recordings", (9.0, 9.4, 8.6, 9.2))
    drives(folder.path / "recordings", (7.6, 8.0), first=4)
    job.recordings = [
        RecordingEntry(file=f"recordings/van/{k}.parquet", role="before" if k < 4 else "after")
        for k in range(6)
    ]
    folder.save(job)
    archive = swept(place)
    found = drives_in(archive.index.recordings, archive.cache)
    repairs = repeats.repaired_in([d.recording for d in found], archive.index.roles)
    assert repairs == [4]
    apart, together = (
        {one.name: one for one in lives_of(found, cuts)}[IDLE] for cuts in (repairs, ())
    )
    assert apart.scatter.drive < together.scatter.drive
    trend = trend_of(archive, "fuel_trim:bank 1, warm idle", "van")
    assert [s.begin for s in trend.life.states] == [0, 4]


def test_where_the_sides_of_a_comparison_part_the_drives_is_known(place, tmp_path):
    drives(place, (9.0, 9.4, 8.6, 9.2, 7.6, 8.0, 7.8))
    swept(place)
    before = open_recording(make(tmp_path / "b.parquet", "van")).facts
    after = open_recording(make(tmp_path / "a.parquet", "van", "2026-03-05T00:00:00+00:00")).facts
    blind = repeats_in(str(place), KnownCars(), [before, after]).of(IDLE)
    told = repeats_in(str(place), KnownCars(), [before], [after]).of(IDLE)
    assert told.drive < blind.drive


def test_a_leap_of_the_car_is_a_change_and_no_scatter(place):
    drives(place, (2.0, 2.4, 1.5, 2.2, 12.0, 11.8, 12.4))
    archive = swept(place)
    found = learned(archive)
    assert [c.at for c in found[IDLE].life.changes] == [4]
    assert [c.at for c in found["TOTAL_TRIM1"].life.changes] == [4]
    assert learned_of(found.values()).of(IDLE).drive < OF_CARS.of(IDLE).drive
    trend = trend_of(archive, "fuel_trim:bank 1, warm idle", "van")
    (sentence,) = trend.changes
    assert "between 2026-03-04 and 2026-03-05" in sentence
    assert "learned from 7 of its drives" in trend.band
    low, high = trend.life.states[-1].low, trend.life.states[-1].high
    assert low < 24.0 < high < 35.0


def test_the_table_of_a_car_and_of_all(place, capsys):
    drives(place)
    drives(place, car="hatch", trims=(7.0, 9.0, 5.0, 8.0))
    swept(place)
    assert main(["archive", "repeatability", str(place), "van", "--json"]) == 0
    rows = {row["number"]: row for row in json.loads(capsys.readouterr().out)}
    row = rows[IDLE]
    assert (row["drives"], row["cars"], row["unit"]) == (len(TRIMS), 1, "%")
    assert row["half_width"] > 1.96 * row["between"] > 0.0
    assert rows["TOTAL_TRIM1"]["unit"] == "%"
    assert main(["archive", "repeatability", str(place), "--csv"]) == 0
    (head, *lines) = csv.reader(capsys.readouterr().out.splitlines())
    row = dict(zip(head, next(line for line in lines if line[0] == IDLE), strict=True))
    assert (row["drives"], row["cars"]) == (str(len(TRIMS) + 4), "2")
    assert float(row["between"]) > rows[IDLE]["between"]  # the hatch moves more
    assert main(["archive", "repeatability", str(place)]) == 0
    assert "idle: idle stability" in capsys.readouterr().out
    assert main(["archive", "repeatability", str(place), "lorry"]) == 0
    assert "sweep" in capsys.readouterr().out


def test_who_checks_and_compares_takes_what_the_archive_knows(place, tmp_path, capsys):
    drives(place)
    swept(place)
    before = make(tmp_path / "before.parquet", "van", trim=9.0, n=1400)
    after = make(tmp_path / "after.parquet", "van", "2026-05-01T10:00:00+00:00", trim=2.0, n=1401)

    def compared(*options: str) -> dict[str, Any]:
        main(["compare", str(before), str(after), "--json", *options])
        return json.loads(capsys.readouterr().out)

    told, alone = compared("--archive", str(place)), compared("--archive", "")
    assert f"learned from {len(TRIMS)} of its own" in told["summary"]
    assert "taken from other cars" in alone["summary"]
    widths = [
        next(s["half_width"] for s in found["signals"] if s["signal"] == "TOTAL_TRIM1")
        for found in (told, alone)
    ]
    assert widths[0] < widths[1]
    Settings.load().last_archive = str(place)
    assert compared()["summary"] == told["summary"]
    assert main(["compare", str(before), str(after), "--archive", str(tmp_path / "no")]) == 3

    def of_car(*options: str) -> float:
        main(["check", str(before), "--json", *options])
        found = json.loads(capsys.readouterr().out)["findings"]
        return next(f["of_car"] for f in found if f["subject"] == "bank 1, warm idle")

    assert of_car() == of_car("--archive", str(place)) < of_car("--archive", "")
    main(["check", str(before), "--archive", str(place)])
    told = " ".join(capsys.readouterr().out.split())
    assert f"learned from {len(TRIMS)} of its drives in" in told
    main(["check", str(before), "--archive", "", "--json"])
    assert json.loads(capsys.readouterr().out)["repeats_learned_from"] == 0
    Settings.load().last_archive = str(tmp_path / "gone")
    assert of_car() == of_car("--archive", "")


def test_a_jobs_comparison_and_its_report_say_the_same(place, tmp_path, capsys):
    drives(place)
    swept(place)
    folder, job = create_job(tmp_path, "job", Job(title="leak"))
    for role, trim, n in (("before", 9.0, 1400), ("after", 2.0, 1401)):
        made = make(tmp_path / f"{role}.parquet", "van", trim=trim, n=n)
        folder.add_recording(job, made, role)
    folder.save(job)
    main(["job", "compare", str(folder.path), "--archive", str(place)])
    said = folder.load().comparisons[-1].sentence
    assert f"learned from {len(TRIMS)} of its own" in said
    material = gather(folder, folder.load(), ReportOptions(archive=str(place)))
    assert material.comparison.summary == said
    private = ReportOptions(archive=str(place), private=True)
    assert "taken from other cars" in gather(folder, folder.load(), private).comparison.summary


def test_a_number_in_another_unit_is_another_number(place):
    found = drives_in(swept(drives(place)[0].parents[1]).index.recordings, Archive(place).cache)
    before = [replace(drive, units=drive.units | {IDLE: "K"}) for drive in found[:2]]
    lives = {one.name: one for one in lives_of([*before, *found[2:]], ())}
    assert lives[IDLE].drives == len(TRIMS) - 2
    assert lives["TOTAL_TRIM1"].drives == len(TRIMS)


def test_without_an_archive_a_jobs_other_drives_teach(place, tmp_path, capsys):
    folder, job = create_job(tmp_path, "job", Job(title="leak"))
    for k, trim in enumerate((9.0, 9.3, 8.8, 9.1, 2.0)):
        started = f"2026-03-{k + 1:02d}T10:00:00+00:00"
        made = make(tmp_path / f"{k}.parquet", "van", started, trim=trim, n=1400 + k)
        folder.add_recording(job, made, "before" if k < 4 else "after")
    folder.save(job)
    one = ["job", "compare", str(folder.path), "--before", "recordings/0.parquet"]
    main(one)
    assert "learned from 3 of its own" in folder.load().comparisons[-1].sentence
    main([*one, "--archive", ""])
    assert "taken from other cars" in folder.load().comparisons[-1].sentence
    assert main(["report", str(folder.path), "--out", str(tmp_path / "r.html")]) == 0


def test_several_numbers_have_no_life_together(place):
    drives(place)
    trend = trend_of(swept(place), "warm_up", "van")
    assert trend.life is None
    assert "several" in trend.band
