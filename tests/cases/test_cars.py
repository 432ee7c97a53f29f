"""The doors between cars: what is of another one comes in only when it is said to be the same."""

from __future__ import annotations

import stat
from pathlib import Path

import numpy as np
import pytest

from logbench.analysis.engine import Trait
from logbench.analysis.view import View
from logbench.car.identity import Ecu, Identity, Match
from logbench.car.model import Car
from logbench.cases.cars import AnswerCars, CarsFile, LearnFromDrive, RememberCar
from logbench.cases.job import AddFiles, ClearCodes, ReadCar
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import AnotherCarError
from logbench.job.folder import create_job, open_job
from logbench.job.model import Job
from logbench.job.store import JobStore
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.vehicle.gate import CONSENT
from tests.analysis.diesel import diesel_drive
from tests.capture.watched import QUICK
from tests.serving import serve_tcp
from tests.still import StillCar

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"


def drive_of(path: Path, vin: str, **facts) -> Path:
    t_ns = np.arange(5) * 1_000_000_000
    trace = Trace("RPM", "7E8", "rpm", t_ns, np.full(5, 800.0))
    return write_recording(path, [trace], Facts(vehicle=Car(vin=vin, **facts)))


@pytest.fixture
def job(tmp_path) -> Path:
    """A job whose customer's papers name the first car."""
    return create_job(tmp_path, "job", Job(vehicle=Car(vin=FIRST)))[0].path


def test_another_cars_drive_is_not_added_without_a_word(job, tmp_path):
    add = AddFiles(JobStore(), job, (drive_of(tmp_path / "b.parquet", SECOND),))
    with pytest.raises(AnotherCarError) as refused:
        run_here(add)
    assert FIRST in str(refused.value)
    assert SECOND in str(refused.value)
    assert open_job(job)[1].recordings == []
    assert list((job / "recordings").glob("*")) == [] if (job / "recordings").exists() else True


def test_once_said_to_be_the_same_it_is_added_and_not_asked_again(job, tmp_path):
    paths = [drive_of(tmp_path / f"{name}.parquet", SECOND) for name in "bc"]
    run_here(AddFiles(JobStore(), job, (paths[0],), same_car=True))
    run_here(AddFiles(JobStore(), job, (paths[1],)))
    assert len(open_job(job)[1].recordings) == 2


def test_of_several_only_those_of_the_job_come_in_and_the_question_is_for_the_rest(job, tmp_path):
    mine, other = drive_of(tmp_path / "a.parquet", FIRST), drive_of(tmp_path / "b.parquet", SECOND)
    add = AddFiles(JobStore(), job, (other, mine))
    with pytest.raises(AnotherCarError) as refused:
        run_here(add)
    assert [Path(entry.file).name for entry in open_job(job)[1].recordings] == ["a.parquet"]
    confirmed = add.confirmed(refused.value)
    assert confirmed.paths == (other,)
    run_here(confirmed)
    assert len(open_job(job)[1].recordings) == 2


def test_two_cars_do_not_come_into_a_new_job_together(tmp_path):
    folder = create_job(tmp_path, "job")[0].path
    drives = tuple(drive_of(tmp_path / f"{vin}.parquet", vin) for vin in (FIRST, SECOND))
    with pytest.raises(AnotherCarError):
        run_here(AddFiles(JobStore(), folder, drives))
    job = open_job(folder)[1]
    assert [Path(entry.file).stem for entry in job.recordings] == [FIRST]
    assert job.vehicle.vin == FIRST


def test_what_cannot_be_told_comes_in_and_is_said(job, tmp_path):
    ecu = Ecu(name="ECM", calibrations={"37805-ZZ1-A110": ""})
    path = drive_of(tmp_path / "b.parquet", "", identity=Identity(ecus={"7E8": ecu}))
    added = run_here(AddFiles(JobStore(), job, (path,)))
    assert added.recordings
    (remark,) = added.remarks
    assert "Not known whether it is the same car" in remark
    assert remark in AddFiles(JobStore(), job, ()).outcome(added).sentence


def test_the_job_learns_from_its_drive(tmp_path):
    folder = create_job(tmp_path, "job", Job(vehicle=Car(label="Blue")))[0].path
    run_here(AddFiles(JobStore(), folder, (drive_of(tmp_path / "a.parquet", FIRST, cylinders=4),)))
    vehicle = open_job(folder)[1].vehicle
    assert (vehicle.label, vehicle.vin, vehicle.cylinders) == ("Blue", FIRST, 4)


# --- over a real socket ---


def test_another_car_is_not_read_into_the_job(job):
    with serve_tcp(StillCar(vin=SECOND), timing=QUICK) as url:
        with pytest.raises(AnotherCarError) as refused:
            run_here(ReadCar(JobStore(), job, url, "before"))
        assert SECOND in str(refused.value)
        assert open_job(job)[1].readings == []
        run_here(ReadCar(JobStore(), job, url, "before", same_car=True))
    kept = open_job(job)[1]
    assert len(kept.readings) == 1
    assert kept.vehicle.vin == FIRST
    assert kept.vehicle.read_instead["vin"] == SECOND


def test_another_cars_codes_are_not_cleared(job):
    car = StillCar(vin=SECOND, stored=("P0171",), values={"RPM": 0.0, "VSS": 0.0})
    with serve_tcp(car, timing=QUICK) as url, pytest.raises(AnotherCarError):
        run_here(ClearCodes(JobStore(), job, url, CONSENT))
    assert car.stored == ("P0171",)
    assert open_job(job)[1].readings == []


def test_an_empty_job_becomes_that_of_the_car_read(tmp_path):
    folder = create_job(tmp_path, "job")[0].path
    with serve_tcp(StillCar(vin=SECOND), timing=QUICK) as url:
        run_here(ReadCar(JobStore(), folder, url, "before"))
    vehicle = open_job(folder)[1].vehicle
    assert (vehicle.vin, vehicle.source("vin")) == (SECOND, "read")
    assert vehicle.identity.ecus["7E8"].calibrations.keys() == {"LB-BENCH-0001"}
    assert all(vehicle.identity.ecus["7E8"].calibrations.values())  # verification numbers, too


def test_a_known_cars_facts_fill_what_is_empty_in_the_job(tmp_path):
    cars = Car(label="Blue", vin=SECOND, displacement_l=2.3, registration="EX 123")
    run_here(RememberCar(car=cars))
    folder = create_job(tmp_path, "job", Job(vehicle=Car(displacement_l=2.2)))[0].path
    with serve_tcp(StillCar(vin=SECOND), timing=QUICK) as url:
        run_here(ReadCar(JobStore(), folder, url, "before"))
    vehicle = open_job(folder)[1].vehicle
    assert (vehicle.label, vehicle.registration, vehicle.displacement_l) == ("Blue", "EX 123", 2.2)


# --- the terminal ---


def test_the_terminal_asks_with_an_option(job, tmp_path, capsys):
    path = str(drive_of(tmp_path / "b.parquet", SECOND))
    assert main(["job", "add", str(job), path]) == 3
    assert "--same-car" in capsys.readouterr().err
    assert main(["job", "add", str(job), path, "--same-car"]) == 0
    with serve_tcp(StillCar(vin=SECOND), timing=QUICK) as url:
        assert main(["job", "read", str(job), "--link", url]) == 0  # remembered


# --- the file ---


def test_known_cars_are_for_their_user_only_and_come_back(tmp_path):
    cars = CarsFile(tmp_path / "deep" / "cars.json")
    run_here(RememberCar(cars, Car(label="Blue", vin=FIRST), job="here"))
    run_here(RememberCar(cars, Car(vin=FIRST, cylinders=4)))
    run_here(RememberCar(cars, Car(label="nobody's")))
    assert stat.S_IMODE(cars.path.stat().st_mode) == 0o600
    (known,) = cars.load().cars
    assert (known.car.label, known.car.cylinders, known.last_job) == ("Blue", 4, "here")
    assert cars.load().met(Identity(vin=FIRST)) == known
    assert cars.load().met(Identity()) is None


def test_a_damaged_file_is_set_aside(tmp_path):
    cars = CarsFile(tmp_path / "cars.json")
    cars.path.write_text('{"cars": 3')
    assert cars.load().cars == []
    run_here(RememberCar(cars, Car(vin=FIRST)))
    assert len(cars.load().cars) == 1
    (aside,) = tmp_path.glob("cars.unreadable-*")
    assert aside.read_text() == '{"cars": 3'


def test_answers_are_remembered_both_ways(tmp_path):
    cars = CarsFile(tmp_path / "cars.json")
    first, second = Identity(vin=FIRST), Identity(vin=SECOND)
    run_here(AnswerCars(cars, ((first, second),), same=False))
    meeting = cars.load().judge(second, first)
    assert (meeting.match, meeting.answered) == (Match.OTHER, True)
    run_here(AnswerCars(cars, ((first, second),), same=True))
    meeting = cars.load().judge(second, first)
    assert (meeting.match, meeting.answered) == (Match.SAME, True)
    assert "as you said earlier" in meeting.sentence


def test_two_known_cars_said_to_be_one_become_one(tmp_path):
    cars = CarsFile(tmp_path / "cars.json")
    for vin in (FIRST, SECOND):
        run_here(RememberCar(cars, Car(vin=vin)))
    run_here(AnswerCars(cars, ((Identity(vin=FIRST), Identity(vin=SECOND)),), same=True))
    (known,) = cars.load().cars
    assert known.keys == {FIRST, SECOND}


def test_of_what_says_too_little_no_answer_is_kept(tmp_path):
    cars = CarsFile(tmp_path / "cars.json")
    first = Identity(vin=FIRST)
    run_here(
        AnswerCars(cars, ((first, Identity()), (first, first), (Identity(), first)), same=True)
    )
    assert cars.load().answers == {}
    assert cars.load().cars == []


def test_what_a_drive_teaches_is_kept_with_its_car_and_comes_back(tmp_path):
    """The next drive of it needs fewer signals to be known for what it is."""
    cars = CarsFile(tmp_path / "cars.json")
    recording = diesel_drive(car=Car(vin=FIRST))
    path = write_recording(tmp_path / "drive.parquet", recording.traces(), recording.facts)
    run_here(LearnFromDrive(cars=cars, path=path))
    assert cars.load().met(Identity(vin=FIRST)) is None  # it was never met
    run_here(RememberCar(cars=cars, car=Car(vin=FIRST, turbo=False)))
    run_here(LearnFromDrive(cars=cars, path=path))
    known = cars.load().met(Identity(vin=FIRST)).car
    assert (known.fuel, known.source("fuel"), known.ground("fuel").why != "") == (
        "diesel",
        "worked out",
        True,
    )
    assert (known.turbo, known.source("turbo")) == (False, "stated")
    short = diesel_drive(signals="RPM VSS ECT", car=known)
    assert View(short).engine.holds(Trait.COMPRESSION)


def test_a_damaged_drive_teaches_nothing(tmp_path):
    cars = CarsFile(tmp_path / "cars.json")
    (tmp_path / "bad.parquet").write_bytes(b"PAR1 no parquet PAR1")
    run_here(LearnFromDrive(cars=cars, path=tmp_path / "bad.parquet"))
    run_here(LearnFromDrive(cars=cars, path=tmp_path / "none.parquet"))
    assert not cars.path.exists()
