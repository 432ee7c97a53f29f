"""Files with rows of several cars, drivers and trips."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logbench.car.model import Car
from logbench.errors import ImportFileError
from logbench.importing.model import Mapping, SplitMap, Stated
from logbench.importing.run import import_file
from logbench.recording.reader import open_recording
from tests.importing.reading import detected, read
from tests.importing.test_clocks import clock, rpm

VINS = ("WZZZZZ12Z34567890", "WZZZZZ12Z34567891")


def written(tmp_path: Path, header: str, rows: list[str]) -> Path:
    path = tmp_path / "fleet.csv"
    path.write_text("\n".join([header, *rows]))
    return path


def found(path: Path, mapping: Mapping | None = None) -> list[tuple[str, int, float, float]]:
    """Car, samples, duration and mean of the coolant's temperature of each drive."""
    out = []
    for drive in read(path, mapping).drives:
        ect = next(trace for trace in drive.traces if trace.signal == "ECT")
        car = drive.facts.vehicle
        out.append(
            (car.label or car.vin, len(ect), float(np.ptp(ect.t_s)), float(ect.value.mean()))
        )
    return out


@pytest.mark.parametrize("column", ["car", "VEHICLE_ID", "driverID", "trip", "tripID", "deviceID",
                                    "Driver name", "session", "file name"])  # fmt: skip
def test_a_column_of_cars_drivers_or_trips_splits_the_file(tmp_path: Path, column: str):
    rows = [f"{name},{k},{rpm(k)},{80 + n}" for n, name in enumerate(("ab 1", "cd 2", "ef 3"))
            for k in range(n * 50, n * 50 + 40)]  # fmt: skip
    drives = found(written(tmp_path, f"{column},time,rpm,coolant temperature", rows))
    assert [drive[1:] for drive in drives] == [(40, 39.0, 80.0 + n) for n in range(3)]


def test_the_car_of_a_row_is_the_drives_car(tmp_path: Path):
    rows = [f"{name},{k},{rpm(k)},80" for name in ("blue van", "red van") for k in range(40)]
    drives = found(written(tmp_path, "vehicle id,time,rpm,ECT", rows))
    assert [drive[0] for drive in drives] == ["blue van", "red van"]
    rows = [f"{n},{k},{rpm(k)},80" for n in (3, 4) for k in range(40)]
    drives = found(written(tmp_path, "vehicle id,time,rpm,ECT", rows))
    assert [drive[0] for drive in drives] == ["vehicle id 3", "vehicle id 4"]
    rows = [f"{vin},{k},{rpm(k)},80" for vin in VINS for k in range(40)]
    path = written(tmp_path, "VIN,time,rpm,ECT", rows)
    assert [drive[0] for drive in found(path)] == list(VINS)
    assert [d.facts.identity.vin for d in read(path).drives] == list(VINS)


@pytest.mark.parametrize("column", ["car", "VIN", "where from", "no"])
def test_cars_whose_rows_take_turns(tmp_path: Path, column: str):
    """Each goes by its own clock; a column of no known name is found by that."""
    cars = dict(zip("pqr", (0, 40_000, 7_000), strict=True))
    rows = [f"{clock(start + k)},{car},{rpm(k + start)},{80 + n}"
            for k in range(60) for n, (car, start) in enumerate(cars.items())]  # fmt: skip
    drives = found(written(tmp_path, f"time,{column},rpm,ECT", rows))
    assert [drive[1:] for drive in drives] == [(60, 59.0, 80.0 + n) for n in range(3)]


def test_cars_that_take_turns_at_the_same_times(tmp_path: Path):
    rows = [f"{k},{car},{rpm(k)},{80 + n}" for k in range(60) for n, car in enumerate("pq")]
    drives = found(written(tmp_path, "time,vehicle,rpm,ECT", rows))
    assert drives == [("p", 60, 59.0, 80.0), ("q", 60, 59.0, 81.0)]


def test_an_empty_cell_goes_on_as_before(tmp_path: Path):
    rows = [f"{'blue' if k % 10 == 5 else ''},{k},{rpm(k)},80" for k in range(60)]
    assert found(written(tmp_path, "car,time,rpm,ECT", rows)) == [("blue", 60, 59.0, 80.0)]


def test_a_status_that_changes_is_no_trip(tmp_path: Path):
    rows = [f"{k},{'OL' if k < 40 else 'CL'},{'eco' if k % 50 < 20 else 'sport'},{rpm(k)},80"
            for k in range(200)]  # fmt: skip
    drives = found(written(tmp_path, "time,Fuel system status,mode,rpm,ECT", rows))
    assert [drive[1] for drive in drives] == [200]


def test_a_column_is_given_a_role_by_hand(tmp_path: Path):
    rows = [f"{k},{'a' if k < 50 else 'b'},{rpm(k)},{80 + k // 50}" for k in range(100)]
    path = written(tmp_path, "time,thing,rpm,ECT", rows)
    assert len(found(path)) == 1
    mapping = detected(path)
    mapping.split.car = 1
    mapping.save(tmp_path / "a.toml")
    drives = found(path, Mapping.load(tmp_path / "a.toml"))
    assert [drive[0::3] for drive in drives] == [("a", 80.0), ("b", 81.0)]


def test_one_car_is_not_stated_of_several(tmp_path: Path):
    rows = [f"{name},{k},{rpm(k)},80" for name in ("blue van", "red van") for k in range(40)]
    path = written(tmp_path, "vehicle id,time,rpm,ECT", rows)
    stated = Stated(car=Car(label="mine"))
    with pytest.raises(ImportFileError, match=r"several cars \(blue van, red van\)"):
        import_file(path, tmp_path, memory=tmp_path, stated=stated)
    outcome = import_file(path, tmp_path, memory=tmp_path, stated=replace(stated, drive=2))
    assert open_recording(outcome.made[0]).facts.vehicle.label == "mine"


def test_a_driver_is_not_kept(tmp_path: Path):
    rows = [f"{who},{k},{rpm(k)},80" for who in ("Anna Example", "Bert Example") for k in range(40)]
    drives = read(written(tmp_path, "driver,time,rpm,ECT", rows)).drives
    assert len(drives) == 2
    assert "Example" not in drives[0].facts.model_dump_json()


def test_a_mapping_of_an_earlier_version(tmp_path: Path):
    file = tmp_path / "old.toml"
    file.write_text("[split]\nplace = 3\non_restart = false\n")
    assert Mapping.load(file).split == SplitMap(trip=3, on_restart=False)
