"""Facts put right after the drive: the file and its samples stay, and what was said stays, too."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.cases.recording import CorrectFacts
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import UsageError
from logbench.importing.run import import_file
from logbench.recording.export import Selection, export_parquet
from logbench.recording.notes import new_note, notes_path, read_notes
from logbench.recording.privacy import private_recording
from logbench.recording.reader import open_recording
from tests.archive.conftest import make

ROWS = "".join(f"2026-03-01 09:00:{k:02d},{700 + k},{20 + k}\n" for k in range(50))


@pytest.fixture
def trip(tmp_path: Path) -> Path:
    """An imported recording."""
    (tmp_path / "trip.csv").write_text(f"time,rpm,ECT (degC)\n{ROWS}")
    (path,) = import_file(tmp_path / "trip.csv", tmp_path, memory=tmp_path).made
    return path


def correct(path: Path, **changes: object) -> None:
    run_here(CorrectFacts(path, changes))


def test_the_file_stays_as_it_is_and_opens_corrected(trip: Path):
    before, checksum = trip.read_bytes(), open_recording(trip).facts.samples_sha256
    correct(trip, label="blue van", displacement_l=1.9, started="2026-04-01T08:00:00+00:00",
            soak_hours=12.0)  # fmt: skip
    recording = open_recording(trip)
    facts = recording.facts
    assert trip.read_bytes() == before
    assert (facts.samples_sha256, recording.intact()) == (checksum, True)
    assert (facts.vehicle.label, facts.vehicle.displacement_l) == ("blue van", 1.9)
    assert (facts.started_utc, facts.started_local) == ("2026-04-01T08:00:00+00:00", "")
    assert facts.extra["soak_hours"] == 12.0
    assert facts.vehicle.source("label") == "stated"


def test_what_was_recorded_and_when_it_was_corrected_is_told(trip: Path):
    correct(trip, label="blue van")
    correct(trip, label="red van", started=None)
    told = [(c.fact, c.before, c.value) for c in open_recording(trip).facts.corrections]
    assert told == [
        ("label", None, "blue van"),
        ("label", "blue van", "red van"),
        ("started", "2026-03-01T09:00:00", None),
    ]
    assert all(c.made_utc for c in open_recording(trip).facts.corrections)
    assert open_recording(trip).facts.started == ""


def test_the_same_again_is_no_correction(trip: Path):
    correct(trip, label="blue van")
    correct(trip, label="blue van")
    assert len(open_recording(trip).facts.corrections) == 1


def test_all_of_it_can_be_taken_back(trip: Path):
    before = open_recording(trip).facts
    correct(trip, label="blue van", started="2026-04-01T08:00")
    run_here(CorrectFacts(trip, {}, take_back=True))
    assert open_recording(trip).facts == before


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"displacement_l": -1.0}, "displacement is not taken"),
        ({"cylinders": "many"}, "cylinders"),
        ({"started": "yesterday"}, "is not a started"),
        ({"soak_hours": -3.0}, "soak hours"),
        ({"samples_sha256": "00"}, "is not a samples sha256"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(trip: Path, changes, said):
    with pytest.raises(UsageError, match=said):
        correct(trip, label="blue van", **changes)
    assert not notes_path(trip).exists()


def test_the_start_of_a_drive_recorded_here_is_not_corrected(tmp_path: Path):
    path = make(tmp_path / "a.parquet")
    with pytest.raises(UsageError, match="recorded with it"):
        correct(path, started="2026-04-01T08:00:00+00:00")
    correct(path, label="blue van")
    assert open_recording(path).facts.vehicle.label == "blue van"
    dateless = make(tmp_path / "b.parquet", started="")
    correct(dateless, started="2026-04-01T08:00")
    assert open_recording(dateless).facts.started == "2026-04-01T08:00:00"


def test_notes_and_corrections_stand_side_by_side(trip: Path):
    from logbench.recording.notes import change_notes

    sha256 = open_recording(trip).facts.samples_sha256
    note = new_note(0, 0, "hiss")
    change_notes(trip, sha256, lambda held: [*held, note])
    correct(trip, label="blue van")
    assert read_notes(trip, sha256) == (note,)
    change_notes(trip, sha256, lambda held: [])
    assert open_recording(trip).facts.vehicle.label == "blue van"


def test_corrections_of_another_recording_are_not_taken(trip: Path, tmp_path: Path):
    other = make(tmp_path / "other.parquet", car="van")
    correct(trip, label="blue van")
    notes_path(other).write_bytes(notes_path(trip).read_bytes())
    assert open_recording(other).facts.vehicle.label == "van"


@pytest.mark.parametrize(
    "corrections",
    [
        [{"fact": "displacement_l", "value": -5}],
        [{"fact": "started", "value": "x" * 40}],
        [{"fact": "__class__", "value": "x"}, {"fact": "samples_sha256", "value": "00"}],
        "no list",
        [{"value": 3}],
    ],
)
def test_hostile_corrections_never_keep_a_recording_from_opening(trip: Path, corrections):
    before = open_recording(trip).facts
    notes_path(trip).write_text(json.dumps({"corrections": corrections}))
    assert open_recording(trip).facts == before


def test_an_export_holds_them_and_a_private_one_does_not(trip: Path, tmp_path: Path):
    correct(trip, label="blue van", started="2026-04-01T08:00")
    made = export_parquet(open_recording(trip), tmp_path / "out.parquet", Selection())
    assert [c.fact for c in open_recording(made).facts.corrections] == ["label", "started"]
    assert open_recording(made).facts.vehicle.label == "blue van"
    private = private_recording(open_recording(trip)).facts
    assert (private.corrections, private.started, private.vehicle.label) == ([], "", "")


def test_an_archive_follows_and_judges_anew(tmp_path: Path):
    make(tmp_path / "archive/van/a.parquet", liters=None)
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    archive.findings_of("van/a.parquet")
    assert archive.pending() == []
    correct(tmp_path / "archive/van/a.parquet", label="blue van", displacement_l=1.9)
    archive.refresh()
    (row,) = archive.rows("SELECT car, displacement_l, corrected FROM recordings")
    assert row == {
        "car": "blue van",
        "displacement_l": 1.9,
        "corrected": "label, displacement l",
    }
    assert [entry.path for entry in archive.pending()] == ["van/a.parquet"]
    archive.findings_of("van/a.parquet")
    from logbench.recording.notes import change_notes

    change_notes(tmp_path / "archive/van/a.parquet", "", lambda held: [new_note(0, 0, "hiss")])
    archive.refresh()
    assert archive.pending() == []  # a note changes no finding


def test_a_copy_takes_them_along(trip: Path, tmp_path: Path):
    correct(trip, label="blue van")
    (tmp_path / "archive").mkdir()
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    where, _ = archive.add(trip)
    assert where == "blue van/2026-03-01-trip.parquet"
    assert archive.open(where).facts.vehicle.label == "blue van"


# --- the command line ---


def test_the_command_corrects_and_shows(trip: Path, capsys):
    assert main(["correct", str(trip)]) == 0
    assert "Nothing was corrected." in capsys.readouterr().out
    main(["check", str(trip)])
    assert "corrected" not in capsys.readouterr().out
    words = ["--car", "blue van", "--displacement", "1.9", "--start", "2026-04-01T08:00Z"]
    assert main(["correct", str(trip), *words]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "label blue van unknown" in out
    assert "started 2026-04-01 08:00:00 UTC 2026-03-01T09:00:00" in out
    assert main(["correct", str(trip), "--start", "unknown", "--car", "unknown"]) == 0
    facts = open_recording(trip).facts
    assert (facts.started, facts.vehicle.label) == ("", "")
    main(["check", str(trip)])
    assert "corrected afterwards: label, displacement l, started" in capsys.readouterr().out
    assert main(["correct", str(trip), "--take-back"]) == 0
    assert open_recording(trip).facts.started == "2026-03-01T09:00:00"
    assert main(["correct", str(trip), "--cylinders", "-4"]) == 3
    assert "cylinders" in capsys.readouterr().err


def test_what_engine_it_is_can_be_put_right_by_the_command(trip: Path, capsys):
    given = ("turbo=no", "banks=2", "metering=air-flow sensor", "gearbox=6-speed manual")
    args = [word for one in given for word in ("--set", one)]
    assert main(["correct", str(trip), *args]) == 0
    car = open_recording(trip).facts.vehicle
    assert (car.turbo, car.banks, car.metering) == (False, 2, "air-flow sensor")
    assert car.source("gearbox") == "stated"
    assert main(["correct", str(trip), "--set", "turbo=unknown"]) == 0
    assert open_recording(trip).facts.vehicle.turbo is None
    for wrong in ("wheels=4", "turbo", "turbo=perhaps", "banks=9"):
        assert main(["correct", str(trip), "--set", wrong]) != 0
        assert "Traceback" not in capsys.readouterr().err
