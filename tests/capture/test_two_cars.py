"""Two cars on one port: no recording ever holds both, and none has the facts of the other."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from logbench.archive.archive import Archive
from logbench.archive.overview import Catalog
from logbench.capture.messages import (
    CaptureRequest,
    CarChanged,
    CarFound,
    Describe,
    Finished,
    Start,
    Step,
    Stop,
    Unattended,
)
from logbench.capture.session import Session
from logbench.capture.sources.car import PolledSource
from logbench.capture.unattended import UnattendedRun
from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.cases.compare import compare_files
from logbench.cases.job import AddFiles
from logbench.cases.work import run_here
from logbench.errors import AnotherCarError
from logbench.job.folder import create_job
from logbench.job.store import JobStore
from logbench.recording.finish import write_recording
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import PEER, Facts, Surroundings
from logbench.recording.reader import open_recording
from logbench.report.gather import gather
from logbench.report.options import ReportOptions
from tests.capture.test_polled import wait_for
from tests.capture.test_session import Listener
from tests.capture.watched import QUICK, watched
from tests.serving import serve_tcp
from tests.still import StillCar

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"
FACTS = Car(label="Mrs A's", displacement_l=2.3, regulating_temp_degc=88.0)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("logbench.capture.session.BACK_OFF_S", (0.05,))
    monkeypatch.setattr("logbench.capture.sources.car.SILENT_S", 0.3)


@contextmanager
def drive(request: CaptureRequest) -> Iterator[tuple[Session, Listener, list]]:
    """A session in a thread of its own."""
    listener, ending = Listener(), []
    source = PolledSource(request, request.link_url)
    if request.unattended is None:
        session = Session(request, source, listener)
    else:
        session = UnattendedRun(request, source, listener)
    thread = threading.Thread(target=lambda: ending.append(session.run()))
    thread.start()
    try:
        yield session, listener, ending
    finally:
        session.command(Stop())
        thread.join(30.0)


def port_of(url: str) -> int:
    return int(url.rpartition(":")[2])


def on_the_port(vin: str, port: int = 0, **more):
    return serve_tcp(StillCar(vin=vin, **more), port=port, timing=QUICK)


def more_samples(listener: Listener, count: int = 20) -> None:
    before = len(listener.samples)
    wait_for(lambda: len(listener.samples) > before + count)


def two_cars(tmp_path, **more) -> tuple[Listener, Finished]:
    """Record the first car, unplug it, plug the second in."""
    out = more.pop("out", tmp_path / "drive.parquet")
    with on_the_port(FIRST) as url:
        port = port_of(url)
        request = CaptureRequest(url, ("RPM", "ECT"), out=out, vehicle=FACTS, **more)
        held = drive(request)
        _, listener, ending = held.__enter__()
        more_samples(listener)
    with on_the_port(SECOND, port):
        wait_for(lambda: len(listener.of(CarFound)) == 2)
        more_samples(listener)
        held.__exit__(None, None, None)
    return listener, ending[0]


def test_another_car_gets_a_recording_of_its_own(tmp_path):
    asked = {"note": "pulls", "surroundings": Surroundings(soak_hours=9.0, altitude_m=300.0)}
    listener, ending = two_cars(tmp_path, **asked)
    first = open_recording(tmp_path / "drive.parquet").facts
    second = open_recording(tmp_path / "drive-2.parquet").facts
    assert (first.vehicle.vin, second.vehicle.vin) == (FIRST, SECOND)
    assert (first.vehicle.label, first.vehicle.displacement_l) == ("Mrs A's", 2.3)
    assert (second.vehicle.label, second.vehicle.displacement_l) == ("", None)
    assert second.vehicle.regulating_temp_degc is None
    extra = {name: value for name, value in second.extra.items() if name != PEER}
    assert (second.note, extra) == ("", {"altitude_m": 300.0})
    assert second.vehicle.source("vin") == "read"
    (changed,) = listener.of(CarChanged)
    assert changed.path == tmp_path / "drive.parquet"
    assert FIRST in changed.sentence
    assert SECOND in changed.sentence
    assert first.events[-1].text == changed.sentence
    assert all(FIRST not in event.text for event in second.events)
    assert (ending.path, ending.others) == (tmp_path / "drive-2.parquet", 1)
    files = sorted(tmp_path.glob("*.parquet"))
    assert ending.samples == sum(len(t) for f in files for t in open_recording(f).traces())


def test_the_first_samples_of_another_car_that_answers_after_silence_are_its_own(tmp_path):
    """The link stays, the car is swapped behind the adapter while its key is off."""
    car = StillCar(vin=FIRST)
    with watched(car) as (url, adapter):
        request = CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet", vehicle=FACTS)
        with drive(request) as (_, listener, _):
            more_samples(listener)
            car.key_on = False
            wait_for(lambda: any("has not answered" in step.text for step in listener.of(Step)))
            adapter.ecus.car.vin, car.key_on = SECOND, True
            wait_for(lambda: len(listener.of(CarFound)) == 2)
            more_samples(listener)
    second = open_recording(tmp_path / "drive-2.parquet")
    assert (second.facts.vehicle.vin, second.facts.vehicle.label) == (SECOND, "")
    assert open_recording(tmp_path / "drive.parquet").facts.vehicle.vin == FIRST


def test_the_same_car_goes_on_in_its_recording(tmp_path):
    with on_the_port(FIRST) as url:
        port = port_of(url)
        held = drive(CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet"))
        _, listener, ending = held.__enter__()
        more_samples(listener)
    with on_the_port(FIRST, port):
        more_samples(listener)
        held.__exit__(None, None, None)
    assert not listener.of(CarChanged)
    assert [path.name for path in tmp_path.glob("*.parquet")] == ["drive.parquet"]
    assert ending[0].others == 0


def test_without_a_vin_it_goes_on_and_says_that_it_cannot_tell(tmp_path):
    with on_the_port("") as url:
        port = port_of(url)
        held = drive(CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet"))
        _, listener, _ = held.__enter__()
        more_samples(listener)
    with on_the_port("", port):
        more_samples(listener)
        held.__exit__(None, None, None)
    (made,) = tmp_path.glob("*.parquet")
    said = [event.text for event in open_recording(made).facts.events if event.kind == "note"]
    assert any("Not known whether it is the same car" in text for text in said)


def test_a_stated_vin_and_a_car_that_gives_none_is_said_to_be_unsure(tmp_path):
    out = tmp_path / "drive.parquet"
    with on_the_port("") as url:
        request = CaptureRequest(url, ("RPM",), out=out, vehicle=FACTS.over(Car(vin=FIRST)))
        with drive(request) as (_, listener, _):
            more_samples(listener)
    (note,) = open_recording(out).facts.events
    assert "Not known whether it is the same car" in note.text


def test_a_car_known_by_its_ecus_only_is_told_as_perhaps_another(tmp_path):
    with on_the_port("") as url:
        with drive(CaptureRequest(url, ("RPM",))) as (_, listener, _):
            more_samples(listener)
        known = KnownCars()
        (found,) = listener.of(CarFound)
        known.remember(FACTS.over(found.vehicle), "2026-12-01T00:00:00+00:00")
        out = tmp_path / "drive.parquet"
        with drive(CaptureRequest(url, ("RPM",), out=out, known=known)) as (_, listener, _):
            more_samples(listener)
    facts = open_recording(out).facts
    assert facts.vehicle.label == "Mrs A's"
    assert any("it may be another" in event.text for event in facts.events)


def test_without_a_vin_other_ecus_are_another_car(tmp_path):
    pids = {"7E9": frozenset({0x05, 0x0C})}
    with on_the_port("") as url:
        port = port_of(url)
        held = drive(CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet"))
        _, listener, _ = held.__enter__()
        more_samples(listener)
    with on_the_port("", port, pids=pids):
        wait_for(lambda: len(listener.of(CarFound)) == 2)
        more_samples(listener)
        held.__exit__(None, None, None)
    assert set(open_recording(tmp_path / "drive-2.parquet").facts.ecus) == {"7E9"}


def test_what_was_kept_of_the_first_car_does_not_begin_the_seconds_recording(tmp_path):
    with on_the_port(FIRST) as url:
        port = port_of(url)
        held = drive(CaptureRequest(url, ("RPM",), vehicle=FACTS, hold_s=60.0))
        session, listener, _ = held.__enter__()
        more_samples(listener)
    with on_the_port(SECOND, port):
        wait_for(lambda: len(listener.of(CarFound)) == 2)
        more_samples(listener)
        session.command(Start(tmp_path / "drive.parquet"))
        more_samples(listener)
        held.__exit__(None, None, None)
    (made,) = tmp_path.glob("*.parquet")
    recording = open_recording(made)
    assert (recording.facts.vehicle.vin, recording.facts.vehicle.label) == (SECOND, "")
    back = [step.text for step in listener.of(Step)].index("The link is back")
    assert back  # the second car's samples only
    assert recording.duration_ns < 20e9


def test_the_next_recording_has_no_facts_of_the_car_before(tmp_path):
    stated = FACTS.model_copy(deep=True)
    stated.learn(Car.read(Facts(vehicle=Car(vin=FIRST)).identity))
    with on_the_port(SECOND) as url:
        request = CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet", vehicle=stated)
        with drive(request) as (_, listener, _):
            more_samples(listener)
    vehicle = open_recording(tmp_path / "drive.parquet").facts.vehicle
    assert (vehicle.vin, vehicle.label, vehicle.displacement_l) == (SECOND, "", None)
    (found,) = listener.of(CarFound)
    assert "Another car" in found.instead
    assert found.vehicle == vehicle


def test_a_car_of_which_nothing_was_stated_is_not_asked_for(tmp_path):
    """What is left in the fields of the car met last is not a statement about the next one."""
    with on_the_port(SECOND) as url:
        last = Car.read(Facts(vehicle=Car(vin=FIRST)).identity)
        with drive(CaptureRequest(url, ("RPM",), vehicle=last)) as (_, listener, _):
            more_samples(listener)
    (found,) = listener.of(CarFound)
    assert (found.instead, found.vehicle.vin) == ("", SECOND)


def test_known_cars_come_back_with_their_facts(tmp_path):
    known = KnownCars()
    for vin, name in ((FIRST, "Mrs A's"), (SECOND, "Mr B's")):
        known.remember(Car(label=name, vin=vin, odometer_km=5.0), "2026-12-01T00:00:00+00:00")
    two_cars(tmp_path, known=known)
    named = [open_recording(p).facts.vehicle for p in sorted(tmp_path.glob("*.parquet"))]
    assert {car.vin: car.label for car in named} == {FIRST: "Mrs A's", SECOND: "Mr B's"}
    assert all(car.odometer_km is None for car in named)


def test_two_that_were_said_to_be_one_stay_one(tmp_path):
    known = KnownCars()
    first, second = (Facts(vehicle=Car(vin=vin)).identity for vin in (FIRST, SECOND))
    known.answer(first, second, same=True)
    with on_the_port(FIRST) as url:
        port = port_of(url)
        held = drive(CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet", known=known))
        _, listener, _ = held.__enter__()
        more_samples(listener)
    with on_the_port(SECOND, port):
        more_samples(listener)
        held.__exit__(None, None, None)
    assert not listener.of(CarChanged)


def test_a_broken_off_recording_is_not_gone_on_with_on_another_car(tmp_path):
    journal = journal_path(tmp_path / "drive.parquet")
    writer = JournalWriter(journal, Facts(vehicle=FACTS.over(Car(vin=FIRST))))
    writer.append([("RPM", "7E8", 0, 800.0), ("RPM", "7E8", 10, 801.0)])
    writer.flush()
    writer.close()
    with on_the_port(SECOND) as url:
        request = CaptureRequest(url, ("RPM",), resume=journal, vehicle=FACTS)
        with drive(request) as (_, listener, ending):
            more_samples(listener)
    first = open_recording(tmp_path / "drive.parquet")
    assert (first.facts.vehicle.vin, len(first.trace("RPM"))) == (FIRST, 2)
    second = open_recording(tmp_path / "drive-2.parquet").facts.vehicle
    assert (second.vin, second.label) == (SECOND, "")
    assert ending[0].others == 1


def test_unattended_each_car_has_its_own_files_and_the_first_keeps_its_name(tmp_path):
    plan = Unattended(off_after_s=0.4, look_every_s=0.1, volt_every_s=0.1)
    car = StillCar(vin=FIRST, battery=14.1)
    with watched(car) as (url, adapter):
        out = tmp_path / "drive.parquet"
        request = CaptureRequest(url, ("RPM",), out=out, vehicle=FACTS, unattended=plan)
        with drive(request) as (_, listener, _):
            for count, vin in enumerate((FIRST, SECOND, FIRST), start=1):
                adapter.ecus.car.vin, car.key_on, car.battery = vin, True, 14.1
                wait_for(lambda count=count: len(listener.of(CarFound)) == count)
                more_samples(listener)
                car.key_on, car.battery = False, 12.5
                wait_for(lambda n=count: len(list(tmp_path.glob("*.parquet"))) == n)
                time.sleep(1.1)  # the next file is named by the second
    cars = [open_recording(path).facts.vehicle for path in sorted(tmp_path.glob("*.parquet"))]
    assert [car.vin for car in cars] == [FIRST, SECOND, FIRST]
    assert [car.label for car in cars] == ["Mrs A's", "", "Mrs A's"]


def test_a_car_said_to_be_the_one_stated_gets_its_facts_while_it_is_recorded(tmp_path):
    stated = FACTS.over(Car(vin=FIRST))
    with on_the_port(SECOND) as url:
        request = CaptureRequest(url, ("RPM",), out=tmp_path / "drive.parquet", vehicle=stated)
        with drive(request) as (session, listener, _):
            more_samples(listener)
            known = KnownCars()
            (found,) = listener.of(CarFound)
            known.answer(stated.identified, found.facts.identity, same=True)
            stated.learn(found.vehicle)
            session.command(Describe(stated, known))
            more_samples(listener)
    vehicle = open_recording(tmp_path / "drive.parquet").facts.vehicle
    assert (vehicle.label, vehicle.vin) == ("Mrs A's", FIRST)
    assert vehicle.read_instead == {"vin": SECOND}


def test_two_cars_on_one_port_meet_at_every_door(tmp_path):
    """What was recorded of them over the socket: in a job, its report, a comparison, an archive."""
    two_cars(tmp_path)
    drives = [tmp_path / "drive.parquet", tmp_path / "drive-2.parquet"]
    folder = create_job(tmp_path, "job")[0]
    run_here(AddFiles(JobStore(), folder.path, (drives[0],)))
    with pytest.raises(AnotherCarError):
        run_here(AddFiles(JobStore(), folder.path, (drives[1],)))
    job = folder.load()
    assert (job.vehicle.vin, job.vehicle.label) == (FIRST, "Mrs A's")
    folder.add_recording(job, drives[1], "after")  # as an earlier version let it in
    for vehicle in (job.vehicle, Car()):  # that of the job, or of its first drive
        job.vehicle = vehicle
        material = gather(folder, job, ReportOptions())
        assert [drive.entry.file for drive in material.drives] == ["recordings/drive.parquet"]
        assert SECOND in " ".join(material.problems)
    compared = run_here(compare_files((drives[0],), (drives[1],)))
    assert compared.result.needs_confirmation
    (tmp_path / "archive").mkdir()
    for path, name in zip(drives, ("one", "two"), strict=True):
        facts = open_recording(path).facts
        facts.vehicle.label = "customer"
        write_recording(
            tmp_path / "archive" / f"{name}.parquet", list(open_recording(path).traces()), facts
        )
    cars = Catalog(Archive(tmp_path / "archive", tmp_path / "cache")).facets.cars
    assert cars == {f"customer · {FIRST}": 1, f"customer · {SECOND}": 1}
