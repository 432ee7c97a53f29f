"""The notebooks of one drive and of two run, and show what the program finds."""

from __future__ import annotations

from pathlib import Path

import matplotlib.pyplot as plt
import pytest

import logbench
from logbench.errors import UsageError
from logbench.recording.finish import write_recording
from tests.notebooks import FOLDER, shown
from tests.road_data import read_road_csv

RECORDINGS = Path(__file__).parents[1] / "recordings"


@pytest.fixture(autouse=True)
def where_notebooks_run(monkeypatch, tmp_path):
    monkeypatch.chdir(FOLDER)
    for name in ("DRIVE", "BEFORE", "AFTER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    yield
    plt.close("all")


def test_one_drive_is_opened_plotted_checked_and_checked_by_a_limit_of_ones_own():
    drive, doing, found, unjudged, own = shown("drive")
    assert repr(drive) == repr(logbench.open(RECORDINGS / "before.parquet"))
    assert len(plt.gcf().axes) == 4
    assert doing["steady cruise"] > doing["cranking"] > 0
    assert "fuel_trim" in set(found["check"])
    assert set(found["verdict"]) <= {"act", "watch"}
    assert len(unjudged) == 5
    assert own["verdict"] == "within"
    assert own["unit"] == "kPa"


def test_two_drives_are_held_against_each_other():
    summary, signals, _, findings, changed, lacks = shown("before_after")
    assert "Resolved: fuel trim" in summary
    assert (signals["half_width"] > 0).all()
    assert set(findings["verdict"]) == {"resolved"}
    assert len(changed) > 5
    assert list(lacks) == []
    assert len(plt.gcf().axes[0].patches) >= 4


def test_the_same_drive_twice_is_refused():
    drive = logbench.open(RECORDINGS / "before.parquet")
    with pytest.raises(UsageError):
        logbench.compare(drive, [drive])


def test_a_fleet_of_real_drives(shared_dir: Path, tmp_path: Path, monkeypatch):
    """Six of one car, which measures manifold pressure: there are no others of its kind."""
    for file in sorted((shared_dir / "data/road-1hz").glob("*.csv")):
        drive = read_road_csv(file)
        drive.facts.vehicle.label = "open car"
        write_recording(tmp_path / f"{file.stem}.parquet", drive.traces(), drive.facts)
    monkeypatch.setenv("FLEET", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    fleet, _, warm_up, trims, same, kind, kind_sql, spread, spread_sql = shown("fleet")
    assert len(fleet) == 6
    assert warm_up["middle"].iloc[0] < 60.0 < warm_up["middle"].max()
    assert len(same) == trims.notna().sum().sum() > 3
    assert kind["this_car"].notna().any()
    assert set(kind_sql["cars"]) == {1}
    assert spread["50%"] == pytest.approx(spread_sql["middle"][0])
