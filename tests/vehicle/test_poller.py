"""Discovery and polling of the simulated car over a real socket."""

from __future__ import annotations

import time
from contextlib import contextmanager

import obd
import pytest

from logbench.errors import LinkLostError, SignalUnknownError, SignalUnsupportedError
from logbench.simulator.timing import Timing
from logbench.simulator.trouble import TROUBLES, parse_trouble
from logbench.vehicle.discovery import discover
from logbench.vehicle.model import CarFacts
from logbench.vehicle.poller import Poller
from tests.still import StillCar

TWELVE = (
    *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT"),
    *("SHRTFT1", "LONGFT1", "TP", "SPARKADV", "VPWR"),
)
ALL_FAST = dict.fromkeys(TWELVE, 10.0)


def connected(link, said=None) -> tuple[CarFacts, Poller]:
    link.connect()
    facts = discover(link)
    return facts, Poller(link, facts, TWELVE, ALL_FAST, None if said is None else said.append)


def poll(poller: Poller, seconds: float) -> list:
    readings = []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        readings += poller.step()
    return readings


# --- discovery ---


def test_discovery_of_the_still_car(simulated):
    link = simulated()
    link.connect()
    facts = discover(link)
    car = StillCar()
    assert facts.vin == "ZZ9TEST170X000001"
    assert facts.supported == {ecu: car.supported(ecu) for ecu in car.ecus}
    assert facts.ecu_names["7E8"] == "ECM-EngineControl"
    assert facts.calibrations == dict.fromkeys(car.ecus, ("LB-BENCH-0001",))
    assert facts.voltage_v == pytest.approx(13.9)
    assert "CAN" in facts.protocol


@pytest.mark.parametrize("number", "125")
def test_discovery_on_the_older_buses(simulated, number):
    link = simulated(protocol=number)
    link.connect()
    facts = discover(link)
    car = StillCar()
    assert facts.vin == "ZZ9TEST170X000001"
    assert list(facts.supported.values()) == [car.supported(ecu) for ecu in car.ecus]
    assert facts.ecu_names["10"] == "ECM-EngineControl"
    assert facts.calibrations["10"] == ("LB-BENCH-0001",)


# --- polling ---


def test_values_ecus_and_time_stamps(simulated):
    link = simulated()
    _, poller = connected(link)
    before = time.monotonic_ns()
    readings = poll(poller, 0.5)
    after = time.monotonic_ns()
    latest = {reading.signal: reading.value for reading in readings}
    assert set(latest) == set(TWELVE)
    assert latest["RPM"] == 750.0
    assert latest["ECT"] == 90.0
    assert latest["VPWR"] == pytest.approx(13.9)
    assert {reading.ecu for reading in readings} == {"7E8"}
    assert all(before < reading.t_ns < after for reading in readings)
    times = [reading.t_ns for reading in readings]
    assert times == sorted(times)
    assert poller.counts["damaged"] == poller.counts["out of range"] == 0


def test_what_belongs_together_shares_its_time_stamp(simulated):
    link = simulated()
    _, poller = connected(link)
    readings = poll(poller, 0.3)
    by_signal = {
        name: [reading.t_ns for reading in readings if reading.signal == name] for name in TWELVE
    }
    assert by_signal["RPM"] == by_signal["MAF"] == by_signal["MAP"]
    assert by_signal["SHRTFT1"] == by_signal["LONGFT1"]


def test_ecus_are_kept_apart_when_all_are_asked(simulated):
    # Only the second ECU has 0xA4: all must be asked, and RPM comes from both.
    car = StillCar(
        pids={"7E8": frozenset({0x0C, 0x0D, 0x10}), "7E9": frozenset({0x0C, 0xA4})},
        values={"RPM": 800.0, "VSS": 50.0, "MAF": 4.0, "GEAR_RCMD": 3.0},
    )
    link = simulated(car)
    link.connect()
    facts = discover(link)
    from logbench.signals.table import table

    gear = table().of_pid(0xA4)[0].acronym
    poller = Poller(link, facts, ("RPM", "MAF", gear))
    readings = poll(poller, 0.4)
    assert {(r.signal, r.ecu) for r in readings} >= {
        ("RPM", "7E8"), ("RPM", "7E9"), ("MAF", "7E8"), (gear, "7E9"),
    }  # fmt: skip
    assert ("MAF", "7E9") not in {(r.signal, r.ecu) for r in readings}
    assert poller.counts["damaged"] == 0


def test_unknown_signals_and_none(simulated):
    link = simulated()
    link.connect()
    facts = discover(link)
    with pytest.raises(SignalUnknownError):
        Poller(link, facts, ("RPMM",))
    with pytest.raises(SignalUnsupportedError, match="at least one"):
        Poller(link, facts, ())


@pytest.mark.parametrize("number", "15")
def test_older_buses_are_polled_one_by_one(simulated, number):
    link = simulated(protocol=number)
    _, poller = connected(link)
    readings = poll(poller, 1.5)
    assert {r.signal for r in readings if r.ecu == "10"} >= {"RPM", "ECT", "VSS"}
    assert poller.counts["damaged"] == 0
    assert not link.protocol.is_can


def test_same_values_as_python_obd(simulated):
    """python-OBD asks the same simulated adapter; an outside client of the same bytes."""
    link = simulated()
    _, poller = connected(link)
    ours = {r.signal: r.value for r in poll(poller, 0.3)}
    place = link.url.removeprefix("tcp://")
    link.close()
    connection = obd.OBD(f"socket://{place}", baudrate=115_200, timeout=2)
    try:
        theirs = {
            "RPM": obd.commands.RPM, "VSS": obd.commands.SPEED, "ECT": obd.commands.COOLANT_TEMP,
            "MAF": obd.commands.MAF, "SHRTFT1": obd.commands.SHORT_FUEL_TRIM_1,
        }  # fmt: skip
        for signal, command in theirs.items():
            assert connection.query(command).value.magnitude == pytest.approx(ours[signal])
    finally:
        connection.close()


# --- trouble on the road ---

FOR_EVER = [name for name, (lasts_s, _) in TROUBLES.items() if lasts_s == float("inf")]
PASSING = [name for name in TROUBLES if name not in FOR_EVER and name not in ("unplug", "stall")]


@contextmanager
def troubled(simulated, text: str, said: list[str]):
    link = simulated(troubles=(parse_trouble(text),), timing=Timing(latency_ms=2, reset_ms=20))
    link.connect()
    facts = discover(link)
    yield Poller(link, facts, TWELVE, ALL_FAST, said.append)


def right(reading) -> bool:
    """Whether a sample is what the still car has, up to the standard's resolution."""
    wanted = StillCar().values[reading.signal]
    return abs(reading.value - wanted) <= 0.02 * abs(wanted) + 0.5


@pytest.mark.parametrize("name", PASSING)
def test_polling_goes_on_after_trouble(simulated, name):
    said: list[str] = []
    with troubled(simulated, f"{name}@0.3:0.4", said) as poller:
        assert len(poll(poller, 0.25)) > 0
        poll(poller, 0.6)
        deadline = time.monotonic() + 8
        fresh: list = []
        while time.monotonic() < deadline and len(fresh) < 60:
            fresh += poller.step()
    assert {reading.signal for reading in fresh} == set(TWELVE)
    assert all(right(reading) for reading in fresh)
    changes = [text for text in said if not text.startswith("No samples for")]
    assert changes == [], "a passing trouble must not change what is polled"


@pytest.mark.parametrize("name", [n for n in FOR_EVER if n not in ("lost-pid", "pending")])
def test_polling_works_with_a_lasting_trouble(simulated, name):
    said: list[str] = []
    with troubled(simulated, f"{name}@0:1000", said) as poller:
        readings: list = []
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline and (
            len(readings) < 60 or (name.endswith("packed") and not said)
        ):
            readings += poller.step()
        readings = readings[-40:]
    assert {reading.signal for reading in readings} == set(TWELVE)
    assert all(right(reading) for reading in readings)
    assert any("in one request" in text for text in said) == name.endswith("packed")


def test_a_pid_that_is_lost_is_named_and_the_rest_goes_on(simulated):
    said: list[str] = []
    with troubled(simulated, "lost-pid@0.2:1000", said) as poller:
        readings: list = []
        deadline = time.monotonic() + 30
        lost = "The car no longer reports RPM: asking again every 10 s."
        while time.monotonic() < deadline and lost not in said:
            readings += poller.step()
        late = poll(poller, 0.4)
    assert said.count(lost) == 1
    assert not [text for text in said if "RPM" not in text and "too slow" not in text]
    assert "RPM" in {reading.signal for reading in readings}
    assert {reading.signal for reading in late} == set(TWELVE) - {"RPM"}


def test_response_pending_is_waited_for(simulated):
    said: list[str] = []
    with troubled(simulated, "pending@0:1000", said) as poller:
        readings: list = []
        deadline = time.monotonic() + 15
        while time.monotonic() < deadline and len(readings) < 12:
            readings += poller.step()
    assert {reading.signal for reading in readings} == set(TWELVE)
    assert said == []


def test_an_unplugged_adapter_is_a_lost_link(simulated):
    with (
        troubled(simulated, "unplug@0.2:5", []) as poller,
        pytest.raises(LinkLostError) as caught,
    ):
        poll(poller, 5)
    assert str(caught.value).endswith(".")


def test_an_adapter_out_of_reach_is_a_lost_link(simulated, monkeypatch):
    monkeypatch.setattr("logbench.vehicle.links.device.RESYNC_TIMEOUT_S", 0.2)
    with (
        troubled(simulated, "radio-loss@0.2:60", []) as poller,
        pytest.raises(LinkLostError, match="no longer answers"),
    ):
        poll(poller, 8)


def test_a_silent_car_is_noticed_and_taken_up_again(simulated):
    car = StillCar()
    link = simulated(car)
    _, poller = connected(link)
    poll(poller, 0.2)
    car.key_on = False
    poll(poller, 0.8)
    assert poller.silent_s > 0.5
    car.key_on = True
    readings = poll(poller, 0.4)
    assert poller.silent_s < 0.3
    assert {reading.signal for reading in readings} == set(TWELVE)
