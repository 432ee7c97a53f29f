"""A start that an imported file gives without a zone stays local time: nothing calls it UTC."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.cli.main import main
from logbench.importing.run import import_file
from logbench.job.times import when_text
from logbench.recording.reader import open_recording
from logbench.signals.numbers import started_text

ROWS = "".join(
    f"2026-03-01 {9 + k // 60:02d}:{k % 60:02d}:00,{700 + k},{20 + k}\n" for k in range(90)
)


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A recording of a table whose times have no zone."""
    (tmp_path / "trip.csv").write_text(f"time,rpm,ECT (degC)\n{ROWS}")
    (path,) = import_file(tmp_path / "trip.csv", tmp_path, memory=tmp_path).made
    return path


def test_the_facts_keep_it_under_its_own_name(made: Path):
    facts = open_recording(made).facts
    assert (facts.started_utc, facts.started_local) == ("", "2026-03-01T09:00:00")
    assert facts.started == "2026-03-01T09:00:00"


def test_lists_say_which_of_the_two_it_is():
    assert started_text("2026-03-01T09:00:00") == "2026-03-01 09:00 local"
    assert started_text("2026-03-01T09:00:00+00:00") == "2026-03-01 09:00 UTC"
    assert started_text("2026-03-01T09:00:00+02:00", 19) == "2026-03-01 07:00:00 UTC"
    assert started_text("2026-03-01T09:00:00", 10) == "2026-03-01"
    assert started_text("") == "date not known"
    assert started_text("some day") == "some day"


def test_reports_say_that_the_zone_is_not_known():
    assert when_text("2026-03-01T09:00:00") == "2026-03-01 09:00 local time, zone not known"


def test_an_archive_lists_it_by_its_date_and_not_as_utc(made: Path, tmp_path: Path):
    (tmp_path / "archive").mkdir()
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    where, _ = archive.add(made)
    assert Path(where).name == "2026-03-01-trip.parquet"
    (row,) = archive.rows("SELECT started, started_utc FROM recordings")
    assert row == {"started": "2026-03-01T09:00:00", "started_utc": ""}


@pytest.mark.parametrize("command", [["check"], ["archive", "list"]])
def test_the_terminal_says_local(made: Path, command: list[str], capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    main([*command, str(made if command == ["check"] else made.parent)])
    out = capsys.readouterr().out
    assert "2026-03-01 09:00" in out
    assert "local" in out
    assert "UTC" not in out
