"""Cars in the Live page: known ones come back, another is told, and the drive goes into its job."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.capture.messages import CarChanged, Finished
from logbench.car.identity import Identity
from logbench.car.model import Car
from logbench.cases.cars import CarsFile, keep_car
from logbench.job.folder import create_job, open_job
from logbench.job.model import Job
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"
BLUE = Car(label="Blue", displacement_l=2.3, regulating_temp_degc=88.0)


def known_as(vin: str, **facts) -> Car:
    car = Car(**facts)
    car.learn(Car.read(Identity(vin=vin)))
    return car


@pytest.fixture
def live(window):
    window.pages.show_page("live")
    window.live.choose_link("sim:")
    return window.live


def met(live, garage, qtbot, car: Car, instead: str = "") -> None:
    live.start()
    garage.last.find_car("RPM", vehicle=car, instead=instead)
    qtbot.waitUntil(lambda: live.session.state == "recording")
    qtbot.waitUntil(lambda: not live._services.runner.busy)


def test_a_known_cars_facts_come_back_and_are_used(live, garage, qtbot):
    met(live, garage, qtbot, known_as(FIRST, label="Blue", displacement_l=2.3))
    box = live.set_up.car
    assert box.label.text() == "Blue"
    assert box.vehicle().displacement_l == 2.3
    assert live.watcher.vehicle.displacement_l == 2.3
    assert "Blue" in live.notice.text
    known = CarsFile().load().met(Identity(vin=FIRST))
    assert known is not None
    assert known.car.label == "Blue"


def test_the_next_request_names_the_car_that_its_facts_are_of(live, garage, qtbot):
    met(live, garage, qtbot, known_as(FIRST, label="Blue"))
    live.stop()
    qtbot.waitUntil(lambda: live.session.state == "idle")
    live.start()
    request = garage.last.request
    assert request.vehicle.label == "Blue"
    assert request.vehicle.identified.vin == FIRST  # so that another car does not get them
    assert request.known.met(Identity(vin=FIRST)) is not None


def test_a_fact_taken_out_of_its_field_stays_out(live, garage, qtbot):
    met(live, garage, qtbot, known_as(FIRST, label="Blue", displacement_l=2.3))
    live.stop()
    qtbot.waitUntil(lambda: live.session.state == "idle")
    live.set_up.car.displacement.setText("")
    live.start()
    request = garage.last.request
    assert request.vehicle.displacement_l is None
    assert request.known.met(Identity(vin=FIRST)).car.displacement_l is None


def test_another_car_than_the_one_in_the_fields_is_told_and_may_be_said_to_be_it(
    live, garage, qtbot
):
    live.set_up.car.set_vehicle(known_as(FIRST, label="Blue", displacement_l=2.3))
    met(live, garage, qtbot, known_as(SECOND), instead=f"Another car. {FIRST} and {SECOND}.")
    assert live.set_up.car.label.text() == ""
    assert SECOND in live.notice.text
    live.notice.button.click()
    (described,) = garage.last.described
    assert (described.label, described.displacement_l) == ("Blue", 2.3)
    assert live.set_up.car.label.text() == "Blue"
    qtbot.waitUntil(lambda: not live._services.runner.busy)
    assert CarsFile().load().judge(Identity(vin=FIRST), Identity(vin=SECOND)).answered


def test_another_car_on_the_link_is_told(live, garage, qtbot, tmp_path):
    met(live, garage, qtbot, known_as(FIRST, label="Blue"))
    garage.last.drive("RPM")
    qtbot.waitUntil(lambda: bool(live.session.traces))
    first = tmp_path / "drive.parquet"
    garage.last.inbox.append(CarChanged("Another car. VIN: A and B.", first))
    garage.last.find_car("RPM", vehicle=known_as(SECOND), instead="Another car. VIN: A and B.")
    qtbot.waitUntil(lambda: live.set_up.car.label.text() == "")
    assert "Another car" in live.notice.text
    assert str(first) in live.notice.text
    assert not live.session.traces
    assert live.session.state == "recording"


# --- the job ---


def drive_of(path, car: Car):
    path.parent.mkdir(exist_ok=True)
    trace = Trace("RPM", "7E8", "rpm", np.arange(5) * 10**9, np.full(5, 800.0))
    return write_recording(path, [trace], Facts(vehicle=car))


def finish(live, garage, qtbot, car: Car) -> None:
    path = drive_of(garage.last.request.out, car)
    garage.last.on_stop = lambda: garage.last.inbox.append(Finished(path, 5, 4.0))
    live.stop()
    qtbot.waitUntil(lambda: live.session.state == "idle")


def test_the_open_jobs_car_is_proposed_and_the_drive_offered_to_it(
    window, live, garage, qtbot, tmp_path
):
    folder = create_job(tmp_path, "Rough idle", Job(vehicle=BLUE))[0].path
    assert window.pages.job.open_path(folder)
    assert live.set_up.car.label.text() == "Blue"
    assert "Rough idle" in live.set_up.car.job.text()
    car = known_as(FIRST, label="Blue")
    met(live, garage, qtbot, car)
    finish(live, garage, qtbot, car)
    assert "Rough idle" in live.notice.button.text()
    live.notice.button.click()
    qtbot.waitUntil(lambda: len(window.pages.job.opened.job.recordings) == 1)
    vehicle = window.pages.job.opened.job.vehicle
    assert (vehicle.vin, vehicle.source("vin")) == (FIRST, "read")
    shown = window.pages.job.tabs.story.widgets["vehicle.vin"]
    qtbot.waitUntil(lambda: shown.text() == FIRST)


def test_without_an_open_job_the_last_one_of_the_car_is_proposed(live, garage, qtbot, tmp_path):
    folder = create_job(tmp_path, "Stalls", Job(vehicle=Car(vin=FIRST)))[0].path
    keep_car(known_as(FIRST, label="Blue"), str(folder))
    car = known_as(FIRST, label="Blue")
    met(live, garage, qtbot, car)
    assert "Stalls" in live.set_up.car.job.text()
    finish(live, garage, qtbot, car)
    live.notice.button.click()
    qtbot.waitUntil(lambda: len(open_job(folder)[1].recordings) == 1)


def test_a_job_of_another_car_is_not_offered(window, live, garage, qtbot, tmp_path):
    folder = create_job(tmp_path, "Rough idle", Job(vehicle=Car(vin=FIRST)))[0].path
    assert window.pages.job.open_path(folder)
    met(live, garage, qtbot, known_as(SECOND))
    assert live.set_up.car.job.isHidden()
    finish(live, garage, qtbot, known_as(SECOND))
    assert "Review it" in live.notice.button.text()


def test_what_was_typed_is_shown_beside_what_the_car_gives(window, qtbot, tmp_path):
    car = Car(vin=FIRST, odometer_km=50_000)
    car.learn(Car.read(Identity(vin=SECOND), odometer_km=50_412.0))
    folder = create_job(tmp_path, "Odd", Job(vehicle=car))[0].path
    window.pages.show_page("job")
    assert window.pages.job.open_path(folder)
    text = window.pages.job.tabs.story.read_instead.text()
    assert SECOND in text
    assert "50,412" in text
    assert window.pages.job.tabs.story.widgets["vehicle.vin"].text() == FIRST
