"""The job's folder: round trips, two windows, autosave, copies, and hostile content."""

from __future__ import annotations

import contextlib
import shutil
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from logbench.errors import (
    JobBusyError,
    JobConflictError,
    JobDamagedError,
    JobMissingError,
    JobTooNewError,
    NotARecordingError,
    StorageError,
)
from logbench.job.folder import LOCK_FILE, JobFolder, create_job, job_text, open_job, parse_job
from logbench.job.model import Job, JobTest, Note, Option, OtherCode, Part, RecordingEntry
from logbench.job.store import HeldJob
from logbench.job.timeline import timeline
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, LinkFacts
from logbench.recording.notes import change_notes, new_note, notes_path
from logbench.vehicle.records.model import CarReading, Code, Identity

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


def full_job() -> Job:
    return Job.model_validate(
        {
            "concern": 'Rough idle "now and then";\nworse when cold: 10 °C \\ backslash',
            "customer": {"name": "Ada Example", "contact": "ada@example.invalid"},
            "vehicle": {"make": "Example", "year": 2016, "vin": "ZZ9TEST170X000001",
                        "displacement_l": 1.6, "cylinders": 4, "odometer_km": 81234.5,
                        "odometer_source": "typed"},
            "notes": [{"at_utc": "2026-05-04T07:30:00+00:00", "text": "Hose looks split."}],
            "work": [{"at_utc": "2026-05-05T10:00:00+00:00", "text": "Hose renewed."}],
            "parts": [{"name": "intake hose", "number": "EX-1", "quantity": 1}],
            "options": [{"what": "renew", "cost": "80", "agreed": True}, {"what": "wait"}],
            "other_codes": [{"module": "airbag", "code": "B1000", "restraint": True}],
            "comparisons": [{"before": ["recordings/a.parquet"], "after": ["b.parquet"]}],
            "sentences": {"airflow: idle": "The engine draws air past the meter."},
        }
    )  # fmt: skip


# --- the file ---


def test_round_trip_and_readable(tmp_path):
    folder, made = create_job(tmp_path, "Example car, rough idle", full_job())
    assert folder.path.name == "Example car, rough idle"
    again, loaded = open_job(folder.path)
    assert loaded == made
    assert open_job(again.file)[1] == made
    text = folder.file.read_text(encoding="utf-8")
    assert tomllib.loads(text)["vehicle"]["cylinders"] == 4, "any reader of TOML opens it"
    assert "concern" in text.splitlines()[2] or "schema_version" in text.splitlines()[2]


NOTES = st.lists(st.builds(Note, text=st.text(max_size=80)), max_size=3)
SENTENCES = st.dictionaries(st.text(max_size=9), st.text(max_size=9), max_size=3)


@given(st.builds(Job, concern=st.text(max_size=200), notes=NOTES, sentences=SENTENCES))
def test_any_text_survives(job):
    data = job_text(job).encode()
    assert parse_job(data, "x") == job
    changed = job.model_copy(deep=True)
    changed.agreement = "yes"
    assert parse_job(job_text(changed, data).encode(), "x") == changed


def test_comments_and_unknown_keys_stay(tmp_path):
    folder, job = create_job(tmp_path, "car", full_job())
    text = folder.file.read_text() + '\n[workshop]\nbay = 3 # "left"\n'
    folder.file.write_text("# my own remark\n" + text)
    job = folder.load()
    job.conclusion = "Repaired."
    folder.save(job)
    text = folder.file.read_text()
    assert text.startswith("# my own remark\n")
    assert 'bay = 3 # "left"' in text
    assert folder.load().conclusion == "Repaired."


def test_emptied_fields_go(tmp_path):
    folder, job = create_job(tmp_path, "car", full_job())
    job.notes, job.concern = [], ""
    folder.save(job)
    loaded = folder.load()
    assert loaded.notes == []
    assert loaded.concern == ""


def test_no_job_and_other_versions(tmp_path):
    with pytest.raises(JobMissingError):
        open_job(tmp_path)
    with pytest.raises(JobMissingError):
        open_job(tmp_path / "nowhere")
    (tmp_path / "job.toml").write_text('schema_version = "2.0"')
    with pytest.raises(JobTooNewError, match=r"2\.0"):
        open_job(tmp_path)
    (tmp_path / "job.toml").write_text('schema_version = "1.9"\nfuture = 1')
    assert open_job(tmp_path)[1].model_extra == {"future": 1}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("concern = [", "not a readable job file"),
        ("concern = 3", "concern"),
        ('recordings = [{file = "../../secret.parquet"}]', "recordings.0.file"),
        ('recordings = [{file = "/etc/passwd"}]', "recordings.0.file"),
        ('photos = [{file = "C:\\\\x.png"}]', "photos.0.file"),
        ("[vehicle]\ncylinders = 99", "vehicle.cylinders"),
        ("[vehicle]\nyear = 12", "vehicle.year"),
        (f'concern = "{"x" * 30_000}"', "concern"),
        ("notes = [" + '{text = "x"},' * 600 + "]", "notes"),
        ("a = " + "[" * 5000, "not a readable job file"),
    ],
)
def test_what_is_out_of_its_limits_names_the_field(tmp_path, text, says):
    (tmp_path / "job.toml").write_text(text)
    with pytest.raises(JobDamagedError, match=says.replace(".", r"\.")) as caught:
        open_job(tmp_path)
    assert "\n" not in str(caught.value)


def test_no_text_and_an_enormous_file(tmp_path):
    file = tmp_path / "job.toml"
    file.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(JobDamagedError, match="not a readable"):
        open_job(tmp_path)
    with file.open("wb") as sparse:
        sparse.truncate(200_000_000)
    with pytest.raises(JobDamagedError, match="longer than 5 MB"):
        open_job(tmp_path)


@given(st.binary(max_size=300))
def test_only_our_errors_escape(data):
    with contextlib.suppress(JobDamagedError, JobTooNewError):
        assert isinstance(parse_job(data, "x"), Job)


def test_control_characters_are_dropped():
    job = Job(concern="\u202ea\x00b\x1b[31mc\td\r\ne", title="one\ntwo\x07")
    assert job.concern == "ab[31mc\td\ne"
    assert job.title == "one two"


def test_a_job_beyond_its_limits_is_not_written(tmp_path):
    folder, job = create_job(tmp_path, "car")
    job.notes = [Note(text="x")] * 400
    folder.save(job)
    job.notes.extend([Note(text="x")] * 400)
    with pytest.raises(JobDamagedError, match="notes"):
        folder.save(job)
    assert len(folder.load().notes) == 400


def test_a_job_too_long_to_be_read_again_is_not_written(tmp_path, monkeypatch):
    folder, job = create_job(tmp_path, "car")
    before = folder.file.read_bytes()
    monkeypatch.setattr("logbench.job.folder.JOB_BYTES", len(before) + 100)
    job.notes.append(Note(text="x" * 200))
    with pytest.raises(JobDamagedError, match="longer"):
        folder.save(job)
    assert folder.file.read_bytes() == before


# --- two windows ---


def test_two_windows_do_not_overwrite_each_other(tmp_path):
    first, job = create_job(tmp_path, "car")
    second, other = open_job(first.path)
    other.concern = "from the second window"
    second.save(other)
    assert first.changed_elsewhere()
    job.concern = "from the first window"
    with pytest.raises(JobConflictError, match=r"job\.mine-"):
        first.save(job)
    assert second.load().concern == "from the second window"
    (mine,) = first.path.glob("job.mine-*.toml")
    assert parse_job(mine.read_bytes(), "mine").concern == "from the first window"
    job = first.load()
    job.conclusion = "both"
    first.save(job)
    assert second.load().concern == "from the second window"


def test_a_locked_job_is_left_alone(tmp_path, monkeypatch):
    monkeypatch.setattr("logbench.job.folder.LOCK_TIMEOUT_S", 0.05)
    folder, job = create_job(tmp_path, "car")
    before = folder.file.read_bytes()
    with FileLock(folder.path / LOCK_FILE):
        job.concern = "x"
        with pytest.raises(JobBusyError, match="Another window"):
            folder.save(job)
    assert folder.file.read_bytes() == before
    folder.save(job)


def test_a_new_job_never_replaces_one_that_is_there(tmp_path):
    folder, _ = create_job(tmp_path, "car")
    with pytest.raises(JobConflictError):
        JobFolder(folder.path).save(Job())
    assert create_job(tmp_path, "car")[0].path.name == "car-2"


def test_a_failing_write_leaves_the_old_file(tmp_path, monkeypatch):
    folder, job = create_job(tmp_path, "car", full_job())
    before = folder.file.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    job.concern = "new"
    with pytest.raises(StorageError, match="full"):
        folder.save(job)
    assert folder.file.read_bytes() == before
    assert [p.name for p in folder.path.iterdir() if p.name.startswith(".job-")] == []


# --- autosave ---


def test_autosave_waits_saves_and_stops_at_a_conflict(tmp_path):
    folder, job = create_job(tmp_path, "car")
    now = [0.0]
    auto = HeldJob(folder, job, delay_s=1.0, clock=lambda: now[0])
    auto.edit(lambda job: setattr(job, "concern", "typed"))
    assert not auto.tick()
    now[0] = 0.9
    auto.edit(lambda job: None)
    now[0] = 1.1
    assert auto.tick()
    assert not auto.dirty
    assert open_job(folder.path)[1].concern == "typed"
    other, theirs = open_job(folder.path)
    theirs.concern = "theirs"
    other.save(theirs)
    auto.edit(lambda job: setattr(job, "concern", "mine"))
    assert not auto.flush()
    assert auto.conflict
    assert auto.dirty
    assert "changed elsewhere" in auto.problem
    assert not auto.flush()
    assert len(list(folder.path.glob("job.mine-*"))) == 1, "kept once, not at every tick"
    auto.reload()
    assert auto.job.concern == "theirs"
    assert not auto.dirty


# --- what is taken in ---


def reading() -> CarReading:
    return CarReading(
        read_utc="2026-05-04T07:35:00+00:00",
        complete=True,
        identity=Identity(vin="ZZ9TEST170X000001"),
        codes=[Code(code="P0171", state="stored", ecu="7E8")],
        odometer_km=81234.5,
    )


def test_recordings_readings_photos_and_a_copy_elsewhere(tmp_path):
    folder, job = create_job(tmp_path, "car")
    entry = folder.add_recording(job, RECORDINGS / "before.parquet", "before")
    folder.add_recording(job, RECORDINGS / "before.parquet", "other")
    kept = folder.add_reading(job, reading(), "before")
    twice = folder.add_reading(job, reading(), "before")
    photo = tmp_path / "bay <1>.JPG"
    Image.new("RGB", (60, 40)).save(photo, "JPEG")
    folder.add_photo(job, photo, "the bay")
    note = tmp_path / "note.pdf"
    note.write_bytes(b"%PDF")
    folder.add_photo(job, note)
    folder.save(job)
    assert [r.file for r in job.recordings] == [
        "recordings/before.parquet",
        "recordings/before-2.parquet",
    ]
    assert len(entry.sha256) == 64
    assert kept.file != twice.file
    assert job.photos[0].file == "photos/bay -1-.JPG"
    assert job.files[0].file == "files/note.pdf"
    assert (job.vehicle.odometer_km, job.vehicle.source("odometer_km")) == (81234.5, "read")
    elsewhere = tmp_path / "other computer" / "copied"
    shutil.copytree(folder.path, elsewhere)
    shutil.rmtree(folder.path)
    copy, loaded = open_job(elsewhere)
    assert loaded == job
    assert copy.reading(loaded.readings[0]) == reading()
    assert np.isfinite(copy.recording(loaded.recordings[0]).trace("RPM").value).all()


def test_what_is_no_recording_or_too_large_is_not_taken_in(tmp_path):
    folder, job = create_job(tmp_path, "car")
    fake = tmp_path / "fake.parquet"
    fake.write_text("text")
    with pytest.raises(NotARecordingError):
        folder.add_recording(job, fake, "before")
    huge = tmp_path / "huge.jpg"
    with huge.open("wb") as sparse:
        sparse.truncate(200_000_000)
    with pytest.raises(StorageError, match="100 MB"):
        folder.add_photo(job, huge)
    with pytest.raises(StorageError):
        folder.add_photo(job, tmp_path)
    with pytest.raises(StorageError):
        folder.add_photo(job, tmp_path / "missing.jpg")
    assert job.photos == job.recordings == []


def test_a_hostile_subfolder_does_not_lead_out(tmp_path):
    folder, job = create_job(tmp_path, "car")
    outside = tmp_path / "outside"
    outside.mkdir()
    (folder.path / "photos").symlink_to(outside)
    photo = tmp_path / "a.png"
    Image.new("RGB", (60, 40)).save(photo)
    with pytest.raises(JobDamagedError, match="leads out"):
        folder.add_photo(job, photo)
    assert list(outside.iterdir()) == []


def test_missing_and_damaged_readings_have_a_sentence(tmp_path):
    folder, job = create_job(tmp_path, "car")
    entry = folder.add_reading(job, reading(), "after")
    folder.place(entry.file).write_text('{"codes": 3}')
    with pytest.raises(JobDamagedError, match="cannot be read"):
        folder.reading(entry)
    folder.place(entry.file).unlink()
    with pytest.raises(JobDamagedError, match="put the file back"):
        folder.reading(entry)


# --- timeline, privacy ---


def test_timeline_is_in_order_and_knows_what_is_missing(tmp_path):
    job = full_job()
    job.created_utc = "2026-05-04T07:00:00+00:00"
    folder, job = create_job(tmp_path, "car", job)
    folder.add_recording(job, RECORDINGS / "before.parquet", "before")
    folder.add_reading(job, reading(), "before")
    job.recordings.append(RecordingEntry(file="recordings/gone.parquet", role="after"))
    job.notes.append(Note(at_utc="some day", text="undated"))
    moments = timeline(job, folder)
    assert [m.kind for m in moments] == [
        "job opened", "note", "car read, before", "recording, before", "work",
        "note", "comparison", "recording missing",
    ]  # fmt: skip
    assert moments[0].when == datetime(2026, 5, 4, 7, tzinfo=UTC)
    assert {m.kind for m in moments if m.when is None} == {
        "note", "recording missing", "comparison",
    }  # fmt: skip


def test_notes_and_markers_of_a_drive_are_in_the_timeline(tmp_path):
    folder, job = create_job(tmp_path, "car", Job(created_utc="2026-01-01T00:00:00+00:00"))
    facts = Facts(started_utc="2026-01-02T10:00:00+00:00", link=LinkFacts(time_scale=2.0),
                  events=[Event(t_ns=60 * 10**9, kind="marker", text="rattle"),
                          Event(t_ns=2**62, kind="marker", text="absurd"),
                          Event(t_ns=0, kind="gap", text="no samples")])  # fmt: skip
    drive = write_recording(tmp_path / "drive.parquet", [], facts)
    change_notes(drive, "", lambda _: [new_note(90 * 10**9, 95 * 10**9, "hiss")])
    folder.add_recording(job, drive, "before")
    said = [(m.when and m.when.isoformat()[11:19], m.kind, m.text) for m in timeline(job, folder)]
    assert said[1:4] == [
        ("10:00:00", "recording, before", ""),
        ("10:00:30", "marker", "rattle"),
        ("10:00:45", "note", "hiss"),
    ]
    notes_path(folder.place(job.recordings[0].file)).write_bytes(b"{")
    assert "cannot be understood" in timeline(job, folder)[-1].text


def test_restraint_work_is_known():
    assert full_job().restraint_work
    assert not Job(other_codes=[OtherCode(module="brakes", code="C0035")]).restraint_work


def test_parts_and_options_are_checked():
    with pytest.raises(ValueError):
        Part(name="hose", quantity=0)
    assert Option(what="renew\nall").what == "renew all"


def test_hand_tests_are_in_the_timeline_also_those_of_a_later_version(tmp_path):
    tests = [
        JobTest(at_utc="2026-01-02T10:00:00+00:00", test="battery_rested", outcome="low",
                number=11.9, remark="cold night"),
        JobTest(at_utc="2026-01-02T11:00:00+00:00", test="of_next_year", outcome="bad"),
    ]  # fmt: skip
    created = "2026-01-01T00:00:00+00:00"
    folder, job = create_job(tmp_path, "car", Job(created_utc=created, tests=tests))
    assert [(m.kind, m.text) for m in timeline(job, folder)][1:] == [
        ("test", "Rested battery voltage: below 12.2 V (11.9 V). cold night"),
        ("test", "of_next_year: bad"),
    ]
