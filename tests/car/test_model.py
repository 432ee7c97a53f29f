"""What is known of a car, and where it came from."""

from __future__ import annotations

from logbench.car.identity import Ecu, Identity, Match, meet
from logbench.car.model import Car
from logbench.recording.model import Facts
from logbench.vehicle.model import CarFacts
from logbench.vehicle.records.model import Calibration, CarReading, EcuIdentity
from logbench.vehicle.records.model import Identity as Told

# Invented.
A, B = "ZZ9TEST120X000007", "ZZ9TEST170X000001"


def test_the_job_learns_from_the_car_and_keeps_what_was_typed():
    car = Car(label="Blue", vin=B, odometer_km=50_000)
    car.learn(Car.read(Identity(vin=A), odometer_km=50_412.0))
    assert (car.vin, car.source("vin")) == (B, "stated")
    assert car.read_instead == {"vin": A, "odometer_km": 50_412.0}
    assert car.identified.vin == A
    car.state("vin", "")
    car.state("vin", A.lower())
    assert car.read_instead == {"odometer_km": 50_412.0}


def test_empty_fields_are_filled_and_follow_the_car():
    car = Car()
    car.learn(Car.read(Identity(vin=A), odometer_km=100.0))
    car.learn(Car.read(Identity(vin=A), odometer_km=200.0))
    assert (car.vin, car.odometer_km) == (A, 200.0)
    assert car.source("vin") == car.source("odometer_km") == "read"
    assert car.read_instead == {}
    car.learn(Car(odometer_km=3.0, displacement_l=1.6))
    assert (car.odometer_km, car.displacement_l) == (200.0, 1.6)


def test_a_number_that_is_no_vin_fills_nothing():
    car = Car()
    car.learn(Car.read(Identity(vin="0" * 17)))
    assert car.vin == ""


def test_stated_facts_go_before_others():
    base = Car(label="file", displacement_l=2.0, sources={"displacement_l": "worked out"})
    made = Car(displacement_l=1.8).over(base)
    assert (made.label, made.displacement_l) == ("file", 1.8)
    assert made.source("displacement_l") == "stated"
    assert base.displacement_l == 2.0


def test_jobs_of_earlier_versions_keep_the_odometers_source():
    assert Car.model_validate({"odometer_km": 5, "odometer_source": "PID A6"}).sources == {
        "odometer_km": "read"
    }
    typed = Car.model_validate({"odometer_km": 5, "odometer_source": "typed"})
    assert typed.source("odometer_km") == "stated"
    assert "odometer_source" not in typed.model_dump()


def test_each_giver_says_which_car_it_is():
    ids = {"37805-ZZ1-A110": "1791BC82"}
    found = CarFacts(
        vin=A, supported={"7E8": frozenset({12, 4})}, ecu_names={"7E8": "ECM"},
        calibrations={"7E8": tuple(ids)},
    )  # fmt: skip
    ecus = [
        EcuIdentity(address="7E8", calibrations=[Calibration(id=k, cvn=n) for k, n in ids.items()])
    ]
    reading = CarReading(identity=Told(vin=A, ecus=ecus), odometer_km=7.0)
    facts = Facts(vehicle=Car(vin=A), ecus={"7E8": "ECM"})
    known = found.identity.renewed(reading.car.identity)
    assert known.ecus["7E8"] == Ecu(name="ECM", calibrations=ids, pids=(4, 12))
    assert meet(known, facts.identity).match is Match.SAME
    assert facts.identity.ecus["7E8"].name == "ECM"


def test_without_a_vin_a_fingerprint_stands_for_the_car():
    ecu = Ecu(name="ECM", calibrations={"37805-ZZ1-A110": ""}, pids=(4, 12))
    assert Identity(ecus={"7E8": ecu}).key == Identity(ecus={"7E8": ecu}, protocol="other").key
    assert Identity(ecus={"7E8": Ecu()}).key == ""
    assert Identity(vin=A, ecus={"7E8": ecu}).key == A


def test_a_recording_with_an_endless_name_opens():
    text = Facts(vehicle=Car(label="x")).model_dump_json().replace('"x"', '"' + "x" * 5000 + '"')
    assert len(Facts.model_validate_json(text).vehicle.label) == 300


def test_what_is_typed_over_what_was_read_keeps_it_beside():
    car = Car.read(Identity(vin=A))
    car.state("vin", B)
    assert (car.vin, car.source("vin"), car.read_instead) == (B, "stated", {"vin": A})
    car.state("displacement_l", None)
    assert car.read_instead == {"vin": A}


def test_a_vin_that_was_read_is_not_replaced_by_another_ones():
    car = Car.read(Identity(vin=A, ecus={"7E8": Ecu(name="ECM")}))
    car.learn(Car.read(Identity(vin=B, ecus={"7E8": Ecu(name="other")})))
    assert (car.vin, car.identity.vin, car.read_instead) == (A, A, {"vin": B})
    assert car.identity.ecus["7E8"].name == "ECM"


def test_of_what_was_worked_out_the_surer_stays_and_a_person_ends_it():
    car = Car()
    found = Car()
    found.work_out("fuel", "diesel", 0.97, "no flap throttles its idle")
    car.learn(found)
    assert (car.fuel, car.source("fuel")) == ("diesel", "worked out")
    assert car.ground("fuel").probability == 0.97
    assert car.engine == "probably diesel"
    assert not car.is_stated
    less = Car()
    less.work_out("fuel", "gasoline", 0.85, "its fuel trims move")
    car.learn(less)
    assert car.fuel == "diesel"
    car.state("fuel", "gasoline")
    car.learn(found)
    assert (car.fuel, car.source("fuel"), car.ground("fuel")) == ("gasoline", "stated", None)
    assert car.engine == "gasoline"


def test_what_was_worked_out_survives_a_file_and_another_cars_facts():
    car = Car()
    car.work_out("hybrid", True, 0.9, "its engine stops on the road")
    back = Car.model_validate_json(car.model_dump_json())
    assert back.ground("hybrid") == car.ground("hybrid")
    assert Car(label="Blue").over(back).ground("hybrid") == car.ground("hybrid")
    assert Car(hybrid=False).over(back).ground("hybrid") is None
    bare = Car(hybrid=True, sources={"hybrid": "worked out"})
    assert bare.ground("hybrid").probability == 0.8
