"""A customer's data deleted: afterwards no byte of it is left where the program keeps anything."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from logbench.car.model import Car
from logbench.cases.cars import CarsFile, keep_car
from logbench.cases.settings import Settings
from logbench.cli.main import main
from logbench.job.folder import create_job
from logbench.job.model import Customer, Job, Note
from logbench.recording.finish import write_recording
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Event, Facts
from logbench.recording.notes import Remark, change_notes
from logbench.recording.reader import open_recording

DRIVE = Path(__file__).resolve().parents[2] / "recordings" / "before.parquet"
VIN, OTHER_VIN = "ZZ9TEST17WX71K9ZT", "ZZ9TEST280X000002"
SECRETS = (VIN, "Zqx7")


def recorded(path: Path, vin: str, word: str, start: int) -> Path:
    """A recording of a car, with its notes; other samples for another `start`."""
    whole = open_recording(DRIVE)
    traces = [t.part(slice(start, None)) for t in whole.traces(("RPM", "ECT", "SHRTFT1", "VSS"))]
    facts = Facts(vehicle=Car(vin=vin, label=f"car {word}"), note=f"of {word}",
                  events=[Event(t_ns=1, kind="marker", text=word)])  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    made = write_recording(path, traces, facts)
    note = Remark(start_ns=0, end_ns=1, text=f"noted {word}")
    change_notes(made, open_recording(made).facts.samples_sha256, lambda _: [note])
    return made


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two customers in every place that the program has: one to be forgotten, one to stay."""
    for name in ("CONFIG", "DATA", "CACHE", "STATE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name))
    settings = Settings.load()
    settings.folder = tmp_path / "drives"
    for vin, word, start in ((VIN, "Zqx7", 0), (OTHER_VIN, "Stays", 100)):
        drive = recorded(tmp_path / f"drives/{word}.parquet", vin, word, start)
        (tmp_path / "drives/jobs").mkdir(exist_ok=True)
        customer = Customer(name=f"Ada {word}", contact=f"{word}@x")
        car = Car(vin=vin, registration=f"EX {word}")
        job = Job(customer=customer, vehicle=car, notes=[Note(text=word)])
        folder, job = create_job(tmp_path / "drives/jobs", f"visit of {word}", job)
        folder.add_recording(job, drive, "before")
        folder.save(job)
        (folder.path / f"{word}.txt").write_text(word)
        assert main(["archive", "add", str(tmp_path / "archive"), str(drive)]) == 0
        keep_car(job.vehicle, str(folder.path))
        settings.recording_opened(drive)
        settings.keep_layout(str(drive), "[]")
        settings.last_job = folder.path
    settings.last_job = tmp_path / "drives/jobs/visit of Zqx7"
    settings.last_archive = str(tmp_path / "archive")
    (tmp_path / "drives/Zqx7.parquet.notes.json.unreadable").write_text("Zqx7 {")
    (tmp_path / "DATA/logbench/cars.unreadable-7.json").write_text("Zqx7 {")
    for words in (["sweep", "--processes", "1"], ["list"], ["like", "Stays"]):
        assert main(["archive", words[0], str(tmp_path / "archive"), *words[1:]]) == 0
    return tmp_path


def left_of(home: Path) -> list[str]:
    """Where one of the secrets still is, in a name or in what a file holds when unpacked."""
    found = []
    for above, folders, files in os.walk(home):
        for name in (*folders, *files):
            path = Path(above, name)
            texts = [name]
            if path.is_file():
                texts.append(path.read_bytes().decode("latin-1"))
            if path.suffix == ".parquet":
                table = pq.read_table(path)
                texts += [repr(table.to_pydict()), repr(table.schema.metadata)]
                texts.append(repr(pq.read_metadata(path).metadata))
            found += [str(path) for text in texts if any(s in text for s in SECRETS)]
    return found


@pytest.mark.parametrize("who", [
    VIN.lower(), "ada zqx7", "EX Zqx7", "drives/jobs/visit of Zqx7",
])  # fmt: skip
def test_nothing_of_a_customer_is_left_and_all_of_others(
    home: Path, who: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.chdir(home)
    assert len(left_of(home)) > 10
    capsys.readouterr()
    assert main(["forget", who, "--yes"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert not left_of(home)
    for words in ("visit of Zqx7", "Zqx7.parquet", "Known car: car Zqx7", "Out of reach stay"):
        assert words in told, words
    stays = home / "drives/jobs/visit of Stays"
    assert (stays / "Stays.txt").read_text() == "Stays"
    assert open_recording(home / "drives/Stays.parquet").intact()
    assert [one.car.vin for one in CarsFile().load().cars] == [OTHER_VIN]
    assert Settings.load().recent_files == [home / "drives/Stays.parquet"]
    assert Settings.load().last_job is None
    capsys.readouterr()
    assert main(["archive", "list", str(home / "archive"), "--json"]) == 0
    assert OTHER_VIN in capsys.readouterr().out


def test_a_car_that_was_corrected_away_is_found_by_what_the_file_says(home: Path, capsys):
    drive = recorded(home / "drives/another.parquet", VIN, "Zqx7", 50)
    words = ["--vin", OTHER_VIN, "--car", "car Stays"]
    assert main(["correct", str(drive), *words]) == 0
    assert main(["forget", VIN, "--yes"]) == 0
    assert not drive.exists()
    assert not left_of(home)


def test_nothing_goes_without_a_yes(home: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    before = left_of(home)
    assert main(["forget", VIN]) == 3
    assert "--yes" in capsys.readouterr().err
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("typer.confirm", lambda *_, **__: False)
    assert main(["forget", VIN]) == 3
    assert left_of(home) == before


def test_a_part_of_a_name_is_nobody(home: Path, capsys):
    before = left_of(home)
    assert main(["forget", "Zqx", "--yes"]) == 0
    assert "Nothing was found" in capsys.readouterr().out
    assert left_of(home) == before


def test_an_unfinished_recording_goes_and_a_running_one_stays(home: Path, capsys):
    facts = Facts(vehicle=Car(vin=VIN), note="Zqx7")
    for name in ("left", "running"):
        writer = JournalWriter(home / f"drives/{name}.parquet.journal", facts)
        writer.append([("RPM", "7E8", 1, 800.0)])
        writer.flush()
        if name == "left":
            writer.close()
    assert main(["forget", VIN, "--yes"]) == 0
    assert "running.parquet.journal" in capsys.readouterr().err
    names = {path.name for path in (home / "drives").iterdir()}
    assert "running.parquet.journal" in names
    assert "left.parquet.journal" not in names
    writer.close()


def test_nobody_is_nobody(home: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(home / "drives/jobs/visit of Stays")
    before = left_of(home)
    assert main(["forget", " ", "--yes"]) == 3
    assert left_of(home) == before
