"""What is remembered between starts: one file, any content, two windows."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pydantic import ValidationError

from logbench.capture.messages import Unattended
from logbench.cases.settings import SCHEMA_VERSION, Settings
from logbench.signals.units import Units


def kept(path: Path, **values: object) -> Settings:
    path.write_text(json.dumps(values))
    return Settings.load(path)


@pytest.mark.parametrize("content", ["\x00\x01broken", "[]", '"text"', "{", "[" * 100_000, "7"])
def test_an_unreadable_file_is_set_aside_not_overwritten(tmp_path: Path, content: str):
    path = tmp_path / "settings.json"
    path.write_text(content)
    settings = Settings.load(path)
    assert settings.theme == "system"
    assert settings.window_s == 60.0
    assert settings.links == []
    assert settings.folder.name == "logbench"
    settings.purpose = "warm-up"
    (aside,) = tmp_path.glob("settings.unreadable-*.json")
    assert aside.read_text() == content
    assert Settings.load(path).purpose == "warm-up"


def test_an_illegal_value_counts_as_not_set_and_the_others_stay(tmp_path: Path):
    path = tmp_path / "settings.json"
    settings = kept(
        path, theme="plaid", window_s="nonsense", held_min=4711, altitude_m=9_999_999,
        size_percent=9000, link_pids={"a": ["x"]}, last_layouts=["{["], purpose="warm-up",
    )  # fmt: skip
    assert (settings.theme, settings.window_s, settings.held_min) == ("system", 60.0, 5)
    assert settings.altitude_m is None
    assert settings.size_percent == 100
    assert settings.link_pids == settings.last_layouts == {}
    assert settings.purpose == "warm-up"
    assert kept(path, own_units=["pressure", "=psi", "speed=psi", "x=y=z"]).units == Units()


def test_an_illegal_value_is_refused_when_it_is_set(tmp_path: Path):
    settings = Settings.load(tmp_path / "settings.json")
    with pytest.raises(ValidationError):
        settings.window_s = 1.0
    assert settings.window_s == 60.0


def test_all_comes_back(tmp_path: Path):
    path = tmp_path / "new" / "settings.json"
    settings = Settings.load(path)
    settings.link_used("sim:")
    settings.signals = ("RPM",)
    settings.signal_sets = {"mine": ("RPM", "MAF")}
    settings.window_s = 120.0
    settings.units = Units(True, (("pressure", "bar"), ("speed", "km/h")))
    settings.folder = tmp_path / "drives"
    settings.unattended_stop_below_v = 12.2
    again = Settings.load(path)
    assert again.links == ["sim:"]
    assert again.signals == ("RPM",)
    assert again.signal_sets == {"mine": ("RPM", "MAF")}
    assert again.window_s == 120.0
    assert again.units == settings.units
    assert again.folder == tmp_path / "drives"
    assert again.days_folder == tmp_path / "drives" / "unattended"
    assert again.plan == Unattended(stop_below_v=12.2)
    assert json.loads(path.read_text())["schema_version"] == SCHEMA_VERSION


def test_two_windows_and_a_newer_version_keep_each_others_values(tmp_path: Path):
    path = tmp_path / "settings.json"
    first, second = kept(path, from_a_newer_version=[1, 2]), Settings.load(path)
    first.purpose = "warm-up"
    second.theme = "night"
    again = Settings.load(path)
    assert (again.purpose, again.theme) == ("warm-up", "night")
    assert json.loads(path.read_text())["from_a_newer_version"] == [1, 2]


def test_lists_stay_short(tmp_path: Path):
    settings = Settings.load(tmp_path / "settings.json")
    for number in range(100):
        settings.keep_layout(f"drive {number}", "[]")
        settings.link_used(f"tcp://10.0.0.{number}:1")
        settings.keep_pids(f"tcp://10.0.0.{number}:1", frozenset({number}))
        settings.recording_opened(tmp_path / f"{number}.parquet")
    assert settings.last_layouts["drive 99"] == "[]"
    assert "drive 10" not in settings.last_layouts
    assert settings.links[0] == "tcp://10.0.0.99:1"
    assert settings.link_pids["tcp://10.0.0.99:1"] == [99]
    assert "tcp://10.0.0.1:1" not in settings.link_pids
    sizes = map(len, (settings.links, settings.last_layouts, settings.link_pids))
    assert max(sizes) == 60
    assert settings.recent == []  # none of them is there
    settings.keep_layout("drive 99", "")
    assert "drive 99" not in settings.last_layouts


def test_a_disk_that_refuses_costs_only_what_would_be_remembered(tmp_path: Path):
    (tmp_path / "file").write_text("in the way of the folder")
    settings = Settings.load(tmp_path / "file" / "settings.json")
    settings.purpose = "warm-up"
    assert settings.purpose == "warm-up"
    assert (tmp_path / "file").read_text() == "in the way of the folder"
