"""Clearing and control: the guard, what may leave the link, and what is read back."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.errors import ClearingRefusedError, LinkLostError, StorageError
from logbench.simulator.adapter import Adapter
from logbench.simulator.model import WARM_IDLE
from logbench.simulator.monitors import MonitorTest
from logbench.vehicle.discovery import discover
from logbench.vehicle.framing import Raw
from logbench.vehicle.gate import CLEAR, CONSENT
from logbench.vehicle.link import Link
from logbench.vehicle.model import Protocol, Reply
from logbench.vehicle.poller import Poller
from logbench.vehicle.records.clearing import (
    clear_codes,
    close_evap,
    list_control_tests,
    read_conditions,
)
from logbench.vehicle.records.model import CarReading
from logbench.vehicle.records.read import read_car
from tests.still import StillCar

STANDING = {**WARM_IDLE, "RPM": 0.0, "VSS": 0.0}


def faulty(**how) -> StillCar:
    how.setdefault("values", dict(STANDING))
    how.setdefault("controls", {"7E8": frozenset({0x01, 0x05})})
    return StillCar(
        stored=("P0171",),
        pending=("P0171",),
        permanent=("P0171",),
        frame={"RPM": 1800.0},
        tests={"7E8": (MonitorTest(0x81, 0x80, 0xAF, 2300, -1600, 2000),)},
        **how,
    )


def test_clearing_saves_clears_and_reads_back(simulated, save, tmp_path):
    car = faulty()
    with simulated(car) as link:
        result = clear_codes(link, CONSENT, save)
    kept = CarReading.model_validate_json((tmp_path / "before.json").read_text())
    assert [code.code for code in kept.codes_in("stored")] == ["P0171"]
    assert kept.freeze_frames
    assert kept.monitor_results[0].value == pytest.approx(23.0)
    assert car.stored == ()
    assert result.change.accepted == ["7E8", "7E9"]
    assert result.change.rpm == 0.0
    assert result.after is not None
    assert [c.state for c in result.after.codes] == ["permanent"]
    assert result.sentence == "7E8, 7E9 cleared. No stored or pending code is left."


def refused(link: Link, consent: str, save) -> str:
    with pytest.raises(ClearingRefusedError) as caught:
        clear_codes(link, consent, save)
    return str(caught.value)


@pytest.mark.parametrize("consent", ["", "yes", CONSENT.lower(), CONSENT + " "])
def test_without_the_words_nothing_is_even_asked(simulated, save, consent):
    car = faulty()
    with simulated(car) as link:
        assert "consent" in refused(link, consent, save)
    assert car.stored == ("P0171",)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"VSS": 30.0}, "moves at 30 km/h"),
        ({"RPM": 2500.0}, "2500 rpm"),
        ({"RPM": 800.0, "VSS": 1.0}, "moves"),
    ],
)
def test_a_car_that_is_not_at_rest(simulated, save, changed, says):
    car = faulty(values={**STANDING, **changed})
    with simulated(car) as link:
        assert says in refused(link, CONSENT, save)
    assert car.stored == ("P0171",)


@pytest.mark.parametrize(("pid", "says"), [(0x0D, "road speed"), (0x0C, "engine speed")])
def test_a_car_that_does_not_tell(simulated, save, pid, says):
    car = faulty()
    car.pids = {ecu: pids - {pid} for ecu, pids in car.pids.items()}
    with simulated(car) as link:
        assert says in refused(link, CONSENT, save)
    assert car.stored == ("P0171",)


def test_conditions_are_read_at_the_moment_not_before(simulated, save):
    """The car drives off after the reading was saved."""
    car = faulty()

    def drive_off(reading: CarReading) -> Path:
        car.values = {**STANDING, "VSS": 20.0}
        return save(reading)

    with simulated(car) as link:
        assert "moves" in refused(link, CONSENT, drive_off)
    assert car.stored == ("P0171",)


def no_disk(reading: CarReading) -> Path:
    raise StorageError("The disk is full.")


def other_error(reading: CarReading) -> Path:
    raise PermissionError(13, "Permission denied")


def nowhere(reading: CarReading) -> Path:
    return Path("/no/such/file.json")


@pytest.mark.parametrize("bad", [no_disk, other_error, nowhere])
def test_a_reading_that_cannot_be_saved(simulated, bad):
    car = faulty()
    with simulated(car) as link:
        assert "could not be saved" in refused(link, CONSENT, bad)
    assert car.stored == ("P0171",)


@pytest.mark.parametrize("text", ["", "{}", '{"read_utc": "2026'])
def test_a_reading_that_was_not_saved_whole(simulated, tmp_path, text):
    def spoil(reading: CarReading) -> Path:
        path = tmp_path / "spoiled.json"
        path.write_text(text)
        return path

    car = faulty()
    with simulated(car) as link:
        assert "nothing was cleared" in refused(link, CONSENT, spoil)
    assert car.stored == ("P0171",)


def test_an_idling_engine_is_allowed_and_the_cars_own_refusal_told(simulated, save):
    car = faulty(values=dict(WARM_IDLE))
    with simulated(car) as link:
        result = clear_codes(link, CONSENT, save)
    assert result.change.accepted == []
    assert result.change.refused["7E8"] == "the conditions are not right"
    assert "engine off with the ignition on" in result.sentence
    assert car.stored == ("P0171",)
    assert result.diff is not None
    assert result.diff.gone == []


# --- control ---


def test_controls_are_listed_and_only_the_standards_starts(simulated, save):
    car = faulty()
    with simulated(car) as link:
        tests = list_control_tests(link)
        assert [(t.ecu, t.test_id, t.startable) for t in tests] == [
            ("7E8", 0x01, True),
            ("7E8", 0x05, False),
        ]
        result = close_evap(link, CONSENT, save)
    assert car.started == [("7E8", 0x01)]
    assert result.sentence == "7E8 closed the evaporative system."


def test_controls_on_an_older_bus(simulated):
    with simulated(faulty(), protocol="5") as link:
        assert [t.test_id for t in list_control_tests(link)] == [0x01, 0x05]


@pytest.mark.parametrize("controls", [{}, {"7E8": frozenset({0x05})}])
def test_no_leak_test_is_said(simulated, save, controls):
    car = faulty(controls=controls)
    with simulated(car) as link, pytest.raises(ClearingRefusedError, match="maker's procedure"):
        close_evap(link, CONSENT, save)
    assert car.started == []


def test_control_has_the_same_guard(simulated, save):
    car = faulty(values={**STANDING, "VSS": 5.0})
    with simulated(car) as link:
        with pytest.raises(ClearingRefusedError, match="consent"):
            close_evap(link, "ok", save)
        with pytest.raises(ClearingRefusedError, match="could not be saved"):
            close_evap(link, CONSENT, no_disk)
        with pytest.raises(ClearingRefusedError, match="moves"):
            close_evap(link, CONSENT, save)
    assert car.started == []


# --- links that break, cars that say little ---


class Wire(Link):
    """Keeps what would leave; answers nothing, or breaks at a request."""

    def __init__(self, answers: dict[bytes, str] | None = None, breaks_at: bytes = b"") -> None:
        super().__init__("wire:")
        self.left: list[bytes] = []
        self.answers, self.breaks_at = answers or {}, breaks_at
        self.protocol = Protocol("wire", is_can=True)

    def _open(self) -> None:
        pass

    def _shut(self) -> None:
        pass

    def _exchange(self, payload, frames, timeout_s, to):
        return Raw([("7E8", data) for data in self._answer(payload)])

    def _change(self, permit, answers):
        permit.spend(permit.payload, "", "")
        answers.replies += [Reply("7E8", data, 0) for data in self._answer(permit.payload)]

    def _answer(self, payload: bytes) -> list[bytes]:
        self.left.append(payload)
        if self.breaks_at in self.left:
            raise LinkLostError("The adapter was unplugged.")
        text = self.answers.get(payload)
        return [bytes.fromhex(text)] if text else []


def test_a_link_that_breaks_while_clearing(save):
    answers = {
        b"\x01\x00": "4100 80180001",
        b"\x01\x0c": "410C 0000",
        b"\x01\x0d": "410D 00",
        b"\x03": "43 01 0171",
        b"\x07": "47 00",
    }
    with Wire(answers, breaks_at=CLEAR) as link:
        assert read_conditions(link).lacking == ""
        result = clear_codes(link, CONSENT, save)
    assert link.left.count(CLEAR) == 1
    assert result.after is None
    assert result.change.ended == "The adapter was unplugged."
    assert "not known whether" in result.sentence


def test_a_break_before_it_refuses(save):
    answers = {b"\x01\x00": "4100 80180001", b"\x03": "43 01 0171"}
    with Wire(answers, breaks_at=b"\x0a") as link:
        assert "could not be read in full" in refused(link, CONSENT, save)
    assert CLEAR not in link.left


def test_what_reading_and_polling_put_on_the_wire(simulated, monkeypatch):
    """Every request that reached the simulated adapter in a full reading and some polling."""
    seen: list[str] = []
    receive = Adapter.receive

    def tapped(self, data, t_s):
        seen.append(data.decode("latin-1"))
        return receive(self, data, t_s)

    monkeypatch.setattr(Adapter, "receive", tapped)
    with simulated(faulty()) as link:
        read_car(link)
        facts = discover(link)
        poller = Poller(link, facts, ("RPM", "ECT", "VSS"))
        for _ in range(5):
            poller.step()
    lines = [line for line in "".join(seen).split("\r") if line]
    requests = {line.lstrip(" ")[:2] for line in lines if not line.upper().startswith("AT")}
    assert requests <= {"01", "02", "03", "06", "07", "09", "0A", "22"}
    assert {"01", "02", "03", "06", "07", "09", "0A"} <= requests


def test_a_car_whose_codes_nobody_tells_is_not_cleared(save):
    with Wire({b"\x01\x00": "4100 80180001", b"\x07": "47 00"}) as link:
        text = refused(link, CONSENT, save)
    assert "could not be read in full" in text
    assert CLEAR not in link.left


def test_a_car_without_pending_codes_can_be_cleared(save):
    """Service 07 came later than 03 and 04 (from memory): its absence is no reason to refuse."""
    answers = {
        b"\x01\x00": "4100 80180001",
        b"\x01\x0c": "410C 0000",
        b"\x01\x0d": "410D 00",
        b"\x03": "43 01 0171",
        CLEAR: "44",
    }
    with Wire(answers) as link:
        assert clear_codes(link, CONSENT, save).change.accepted == ["7E8"]
