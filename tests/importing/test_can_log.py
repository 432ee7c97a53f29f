"""python-can's own writers make the logs; replies are framed here by hand (ISO 15765-2)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.car.model import Car
from logbench.cases.cars import RememberCar
from logbench.cases.importing import ImportFiles
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import ImportFileError
from logbench.importing.model import Stated
from logbench.recording.reader import open_recording
from tests.damaged_frames import DAMAGED
from tests.importing.reading import read

can = pytest.importorskip("can")

START = 1772359200.0  # 2026-03-01T10:00:00Z


def frame(t_s: float, address: int, text: str, extended: bool = False) -> can.Message:
    data = bytes.fromhex(text).ljust(8, b"\x00")
    return can.Message(
        timestamp=START + t_s, arbitration_id=address, data=data, is_extended_id=extended, channel=0
    )


def drive() -> list[can.Message]:
    """Requests 10 ms before their replies. RPM 1726 rpm = 1AF8/4, ECT 0x7B-40 = 83, MAF 0x0A00/100
    = 25.6 (SAE J1979); six PIDs in one reply of three frames; another ECU in between; noise."""
    return [
        frame(0.00, 0x7DF, "02 01 0C"),
        frame(0.01, 0x7E8, "04 41 0C 1A F8"),
        frame(0.50, 0x123, "DE AD BE EF"),
        frame(1.00, 0x7DF, "04 01 0C 05 10"),
        frame(1.02, 0x7E8, "10 09 41 0C 1A F8 05 7B"),
        frame(1.02, 0x7E9, "03 41 0D 40"),
        frame(1.021, 0x7E0, "30 00 00"),
        frame(1.03, 0x7E8, "21 10 0A 00"),
        frame(2.00, 0x7DF, "02 01 0C"),
        frame(2.01, 0x7E8, "03 7F 01 12"),
        frame(3.00, 0x18DB33F1, "02 01 05", True),
        frame(3.01, 0x18DAF110, "03 41 05 7C", True),
    ]


def write(path: Path, messages: list[can.Message]) -> Path:
    with can.Logger(str(path)) as writer:
        for message in messages:
            writer.on_message_received(message)
    return path


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".log", ".trc"])
def test_replies_become_samples(tmp_path, suffix):
    imported = read(write(tmp_path / f"bus{suffix}", drive()))
    (made,) = imported.drives
    got = {(t.signal, t.ecu): (t.t_ns / 1e9, t.value.tolist()) for t in made.traces}
    assert {key: value for key, (_, value) in got.items()} == {
        ("RPM", "7E8"): [1726, 1726],
        ("ECT", "7E8"): [83],
        ("MAF", "7E8"): [25.6],
        ("VSS", "7E9"): [64],
        ("ECT", "18DAF110"): [84],
    }
    rpm_s = got["RPM", "7E8"][0]
    np.testing.assert_allclose(np.diff(rpm_s), 1.005, atol=1e-3)  # middle of request and reply
    assert got["ECT", "7E8"][0] == got["MAF", "7E8"][0] == rpm_s[1]  # one request, one time
    assert imported.report.left_out == 0


def test_candump_named_so_and_its_instant(tmp_path):
    path = write(tmp_path / "bus.log", drive()).rename(tmp_path / "bus.candump")
    (made,) = read(path).drives
    assert made.facts.started_utc.startswith("2026-03-01T10:00:00")


def test_damaged_frames_are_listed(tmp_path):
    messages = [
        *drive(),
        frame(4.0, 0x7E8, "10 09 41 0C 1A F8 05 7B"),
        frame(4.1, 0x7E8, "23 10 0A 00"),
        frame(5.0, 0x7E8, "03 41 0C 1A"),
        frame(6.0, 0x7E8, "F0 00"),
    ]
    report = read(write(tmp_path / "bus.asc", messages)).report
    assert sorted(u.reason for u in report.unread) == [
        "is not a frame of a message",
        "is not made of PIDs whose lengths are known",
        "is out of sequence",
    ]
    assert report.left_out == 3


def test_no_such_traffic(tmp_path):
    path = write(tmp_path / "bus.asc", [frame(0, 0x123, "01 02")])
    with pytest.raises(ImportFileError, match="no replies of service 01"):
        read(path)
    (tmp_path / "bad.blf").write_bytes(b"no log at all")
    with pytest.raises(ImportFileError):
        read(tmp_path / "bad.blf")


@pytest.mark.parametrize("case", DAMAGED)
def test_what_the_link_refuses_is_refused_here(tmp_path, case):
    """The speed before and after shows that the log goes on; nothing of the reply between them."""
    before, after = frame(0.0, 0x7E8, "03 41 0D 40"), frame(9.0, 0x7E8, "03 41 0D 41")
    t_s, damaged = 1.0, []
    for after_s, ecu, text in DAMAGED[case]:
        t_s += after_s
        data = bytes.fromhex(text)
        damaged.append(
            can.Message(
                timestamp=START + t_s, arbitration_id=int(ecu, 16), data=data, is_extended_id=False
            )
        )
    imported = read(write(tmp_path / "bus.log", [before, *damaged, after]))
    (made,) = imported.drives
    (speed,) = made.traces
    assert (speed.signal, speed.value.tolist()) == ("VSS", [64, 65])
    assert imported.report.left_out >= 1


def test_a_message_cut_off_by_the_end_is_listed(tmp_path):
    messages = [*drive(), frame(4.0, 0x7E8, "10 09 41 0C 1A F8 05 7B")]
    report = read(write(tmp_path / "bus.log", messages)).report
    assert [u.reason for u in report.unread] == ["a message is incomplete at the end of the log"]


def test_flow_control_of_an_ecu_is_no_damage(tmp_path):
    messages = [*drive(), frame(4.0, 0x7E8, "30 00 00")]
    assert read(write(tmp_path / "bus.log", messages)).report.left_out == 0


# --- which car it is ---

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"


def told(t_s: float, vin: str) -> list[can.Message]:
    """A reply of service 09 with the VIN, in three frames."""
    data = (b"\x49\x02\x01" + vin.encode()).hex()
    return [
        frame(t_s, 0x7E8, "10 14" + data[:12]),
        frame(t_s + 0.001, 0x7E8, "21" + data[12:26]),
        frame(t_s + 0.002, 0x7E8, "22" + data[26:]),
    ]


def test_a_vin_in_the_log_says_which_car_it_is(tmp_path):
    one = [*told(0.2, FIRST), *drive()]
    (made,) = read(write(tmp_path / "bus.asc", sorted(one, key=lambda m: m.timestamp))).drives
    assert (made.facts.vehicle.vin, made.facts.vehicle.source("vin")) == (FIRST, "read")
    both = [*told(0.2, FIRST), *told(0.3, SECOND), *drive()]
    (made,) = read(write(tmp_path / "two.asc", sorted(both, key=lambda m: m.timestamp))).drives
    assert made.facts.vehicle.vin == ""  # nobody can say whose samples they are


def test_another_cars_log_is_not_imported_under_a_known_cars_name(tmp_path, capsys):
    run_here(RememberCar(car=Car(label="Blue", vin=FIRST, displacement_l=2.3)))
    messages = sorted([*told(0.2, SECOND), *drive()], key=lambda m: m.timestamp)
    log = write(tmp_path / "bus.asc", messages)
    words = ["import", str(log), "--into", str(tmp_path / "out"), "--yes", "--car", "blue"]
    assert main(words) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert "Another car" in said
    assert FIRST in said
    assert SECOND in said
    assert list((tmp_path / "out").glob("*")) == []
    assert main([*words, "--same-car"]) == 0
    (made,) = (tmp_path / "out").glob("*.parquet")
    assert open_recording(made).facts.vehicle.label == "blue"
    assert main(words) == 0  # remembered


def test_a_log_of_the_named_car_comes_in(tmp_path):
    run_here(RememberCar(car=Car(label="Blue", vin=FIRST)))
    messages = sorted([*told(0.2, FIRST), *drive()], key=lambda m: m.timestamp)
    log = write(tmp_path / "bus.asc", messages)
    case = ImportFiles(tmp_path, [log], stated=Stated(Car(label="Blue")))
    assert len(run_here(case).made) == 1
