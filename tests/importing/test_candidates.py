"""Columns held against each other by physics, on a real drive whose columns are renamed, scaled and
exchanged.

Source of the drive: the carOBD open dataset, see `tests/road_data.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from logbench.importing.model import ColumnMap, Mapping
from logbench.signals.units import compatible
from tests.importing.reading import column_of, detected, read
from tests.road_data import read_road_csv

Values = npt.NDArray[np.float64]
SIGNALS = ("RPM", "VSS", "MAP", "BARO", "ECT", "IAT", "TP", "LOAD_PCT", "SHRTFT1", "VPWR")


@pytest.fixture(scope="module")
def road(shared_dir: Path) -> dict[str, Values]:
    """A cold start and a drive with every row of the file, by acronym, and the time."""
    recording = read_road_csv(shared_dir / "data/road-1hz/drive5.csv")
    traces = {name: recording.trace(name) for name in SIGNALS}
    return {name: t.value for name, t in traces.items()} | {"time": np.arange(len(traces["RPM"]))}


def written(path: Path, columns: dict[str, Values]) -> Path:
    """A log of these columns."""
    pd.DataFrame(columns).to_csv(path / "log.csv", index=False)
    return path / "log.csv"


def looked_at(path: Path, columns: dict[str, Values]) -> Mapping:
    """How a log of these columns is read."""
    return detected(written(path, columns))


def used(mapping: Mapping) -> dict[str, str]:
    return {column.column: column.signal for column in mapping.columns if column.used}


def test_a_real_drive_by_its_acronyms_is_taken_as_it_is(tmp_path: Path, road):
    assert used(looked_at(tmp_path, road)) == {name: name for name in SIGNALS}


def test_a_barometer_and_a_manifold_that_are_exchanged_are_both_asked_about(tmp_path: Path, road):
    mapping = looked_at(tmp_path, road | {"MAP": road["BARO"], "BARO": road["MAP"]})
    for name, other in (("MAP", "BARO"), ("BARO", "MAP")):
        column = column_of(mapping, name)
        assert not column.used
        assert column.others[0] == other
    assert "barometer" in column_of(mapping, "MAP").why


def test_coolant_and_intake_air_that_are_exchanged_are_asked_about(tmp_path: Path, road):
    mapping = looked_at(tmp_path, road | {"ECT": road["IAT"], "IAT": road["ECT"]})
    assert not column_of(mapping, "ECT").used
    assert "hotter than coolant" in column_of(mapping, "ECT").why


@pytest.mark.parametrize(
    ("unit", "factor"),  # NIST SP 811, from memory
    [("inHg", 1 / 3.386389), ("psi", 1 / 6.894757), ("hPa", 10.0), ("bar", 0.01)],
)
def test_an_absolute_pressure_that_names_no_unit_tells_it(tmp_path, road, unit, factor):
    scaled = road | {"MAP": road["MAP"] * factor, "BARO": road["BARO"] * factor}
    path = written(tmp_path, scaled)
    column = column_of(detected(path), "MAP")
    assert (column.used, column.unit, column.unit_from) == (True, unit, "assumed")
    assert f"so {unit} is supposed" in column.why
    (drive,) = read(path).drives
    for trace in drive.traces:
        if trace.signal in {"MAP", "BARO"}:
            assert trace.value == pytest.approx(road[trace.signal], rel=1e-5)


def test_degrees_fahrenheit_without_a_unit(tmp_path: Path, road):
    """Coolant is above 150, so the intake air beside it is in degrees F, too."""
    warm = {name: road[name] * 1.8 + 32 for name in ("ECT", "IAT")}
    (drive,) = read(written(tmp_path, road | warm)).drives
    for trace in drive.traces:
        assert trace.value == pytest.approx(road[trace.signal])


def test_one_reading_at_the_end_of_the_range_makes_no_degrees_fahrenheit(tmp_path: Path, road):
    ect = road["ECT"].copy()
    ect[7] = 215.0
    assert column_of(looked_at(tmp_path, road | {"ECT": ect}), "ECT").unit == "degC"


def test_a_speed_without_a_unit_beside_us_units_is_asked_about(tmp_path: Path, road):
    columns = dict(road)
    columns["ECT (°F)"] = columns.pop("ECT") * 1.8 + 32
    column = column_of(looked_at(tmp_path, columns), "VSS")
    assert not column.used
    assert "km/h or mph" in column.why


def flow_of(road: dict[str, Values]) -> Values:
    """Air drawn in by 1.496 l at 80 %, g/s: ideal gas, four-stroke."""
    air = road["MAP"] / (0.287 * (road["IAT"] + 273.15))
    return np.asarray(0.8 * 1.496 * air * road["RPM"] / 120)


def test_intake_air_goes_with_speed_and_pressure(tmp_path: Path, road):
    flow = flow_of(road)
    assert column_of(looked_at(tmp_path, road | {"MAF": flow}), "MAF").used
    shuffled = np.random.default_rng(2).permutation(flow)
    for other in (shuffled, flow[::-1], flow * 100.0):
        assert not column_of(looked_at(tmp_path, road | {"MAF": other}), "MAF").used


@pytest.mark.parametrize("name", ["ECT", "MAF", "BARO"])
def test_a_sensor_in_trouble_is_still_that_sensor(tmp_path: Path, road, name: str):
    """What stands still, or drops out now and then, is for the checks to find."""
    columns = road | {"MAF": flow_of(road)}
    dropping = np.where(road["time"] % 25 == 0, columns[name].min() - 10.0, columns[name])
    for values in (dropping, np.full_like(dropping, columns[name][0])):
        assert column_of(looked_at(tmp_path, columns | {name: values}), name).used


@pytest.mark.parametrize(
    ("header", "signal", "unit"),
    [
        ("Engine_Coolant_Temp_C", "ECT", "degC"),
        ("coolantTempC", "ECT", "degC"),
        ("VehicleSpeedKmh", "VSS", "km/h"),
        ("BatteryVoltage_V", "VPWR", "V"),
        ("PEDAL_F", "APP_F", "%"),
        ("AccelPedalPosD", "APP_D", "%"),
        ("EngineRPM", "RPM", "rpm"),
    ],
)
def test_units_and_letters_run_together_with_a_name(
    tmp_path: Path, road, header: str, signal: str, unit: str
):
    values = {"degC": road["ECT"], "km/h": road["VSS"], "V": road["VPWR"], "rpm": road["RPM"]}
    path = written(tmp_path, {"time": road["time"], header: values.get(unit, road["TP"])})
    column = column_of(detected(path), header)
    assert (column.used, column.signal) == (True, signal)
    assert compatible(column.unit, unit)


CHANGED: dict[str, tuple[str, Callable[[Values], Values], str]] = {
    "rpm by a hundred": ("RPM", lambda v: v / 100, "no engine turns"),
    "pressure from the one outside": ("MAP", lambda v: v - 100, ""),
    "gauge pressure": ("MAP", lambda v: np.maximum(v - 100, 0.0), "absolute manifold pressure"),
    "a trim around 100": ("SHRTFT1", lambda v: v * 0.1 + 98, "around 0"),
    "millivolts": ("VPWR", lambda v: v * 1000, ""),
    "tenths of a volt": ("VPWR", lambda v: v / 10, "supply"),
    "coolant at random": ("ECT", lambda v: np.random.default_rng(1).permutation(v), "jumps"),
    "meters per second by ten": ("VSS", lambda v: v / 100, ""),
}


@pytest.mark.parametrize("what", CHANGED)
def test_what_cannot_be_is_asked_about(tmp_path: Path, road, what: str):
    name, change, why = CHANGED[what]
    column = column_of(looked_at(tmp_path, road | {name: change(road[name])}), name)
    if what == "meters per second by ten":
        assert column.used  # it never gets to 20 km/h, where gears tell: its unit is only supposed
        return
    assert not column.used
    assert why in column.why


def test_a_share_of_one_without_a_unit(tmp_path: Path, road):
    (drive,) = read(written(tmp_path, road | {"TP": road["TP"] / 100})).drives
    tp = next(trace for trace in drive.traces if trace.signal == "TP")
    assert tp.value == pytest.approx(road["TP"])
    stated = {name: v for name, v in road.items() if name != "TP"} | {"TP (%)": road["TP"] / 100}
    assert not column_of(looked_at(tmp_path, stated), "TP (%)").used


def rail(column: ColumnMap) -> str:
    return column.signal if column.used else ""


@pytest.mark.parametrize(
    ("header", "kilopascals", "signal"),
    [
        ("Fuel rail pressure (kPa)", 380.0, "FRP"),
        ("Fuel rail pressure (kPa)", 21_000.0, "FRP_23"),
        ("Fuel rail pressure", 380.0, "FRP"),
        ("Fuel rail pressure", 21_000.0, "FRP_23"),
        ("Rail pressure (bar)", 400.0, "FRP_23"),
        ("Rail pressure (bar)", 4.0, "FRP"),
        ("Rail pressure (psi)", 55.0, "FRP"),
        ("Rail pressure (MPa)", 40.0, "FRP_23"),
        ("Rail pressure", 1000.0, ""),  # in bar, by all that is known of pumps
        ("Rail pressure", 4.0, ""),
        ("Fuel rail pressure (direct)", 21_000.0, "FRP_23"),
        ("FRP_59 (kPa)", 21_000.0, "FRP_59"),
    ],
)
def test_a_rail_pressure_is_the_sibling_that_can_hold_it(
    tmp_path: Path, road, header: str, kilopascals: float, signal: str
):
    pressure = kilopascals * (1 + 0.05 * np.sin(road["time"] / 9))
    assert rail(column_of(looked_at(tmp_path, road | {header: pressure}), header)) == signal


def test_of_two_columns_that_agree_one_is_taken_and_of_two_that_differ_none(tmp_path: Path, road):
    same = looked_at(tmp_path, road | {"Vehicle speed": road["VSS"]})
    assert [column_of(same, name).used for name in ("VSS", "Vehicle speed")] == [True, False]
    other = looked_at(tmp_path, road | {"Vehicle speed": road["VSS"] * 1.6})
    assert [column_of(other, name).used for name in ("VSS", "Vehicle speed")] == [False, False]
    assert "differs" in column_of(other, "VSS").why


def test_of_two_the_one_that_physics_allows_is_taken(tmp_path: Path, road):
    columns = road | {"Manifold pressure": road["MAP"], "MAP": road["BARO"]}
    mapping = looked_at(tmp_path, columns)
    assert not column_of(mapping, "MAP").used
    assert column_of(mapping, "Manifold pressure").used


def test_columns_of_two_forms_of_numbers(tmp_path: Path):
    """`1.234,5` beside `1,234.5`: each by its own cells."""
    rows = [f"{k};1.{k + 200},5;1,{k + 300}.25" for k in range(40)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time;rpm (rpm);Rail pressure (kPa)", *rows]))
    (drive,) = read(path).drives
    found = {trace.signal: trace.value.tolist() for trace in drive.traces}
    assert found == {"RPM": [1200.5 + k for k in range(40)],
                     "FRP_23": [1300.25 + k for k in range(40)]}  # fmt: skip


def test_readings_in_turn_are_held_against_each_other_too(tmp_path: Path, road):
    """A long file: a row a sample, the barometer and the manifold exchanged."""
    rows = [
        f"{0.5 * k:.1f},{name},{road[source][k]:g}"
        for k in range(600)
        for name, source in (("RPM", "RPM"), ("MAP", "BARO"), ("BARO", "MAP"), ("ECT", "ECT"))
    ]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,name,value", *rows]))
    assert used(detected(path)) == {"RPM": "RPM", "ECT": "ECT"}


def test_units_that_nobody_knows_are_told_and_cost_no_reading(tmp_path: Path, road):
    columns = dict(road)
    columns["VPWR (zorks)"] = columns.pop("VPWR")
    mapping = looked_at(tmp_path, columns)
    column = column_of(mapping, "VPWR (zorks)")
    assert not column.used
    assert (column.signal, column.others) == ("VPWR", [])
    assert "'zorks' behind it is not a unit that is known" in column.why


def test_a_cell_in_an_unknown_unit_says_so(tmp_path: Path):
    path = tmp_path / "log.csv"
    rows = [f"{k};{800 + k} rpm" for k in range(40)]
    path.write_text("\n".join(["time;rpm", *rows, "40;850 zorks"]))
    imported = read(path)
    assert [unread.reason for unread in imported.report.unread] == ["is in an unknown unit"]


@pytest.mark.parametrize("time", ["0,5", "0.5"])
def test_time_and_readings_of_two_forms_of_numbers(tmp_path: Path, time: str):
    mark, other = (",", ".") if "," in time else (".", ",")
    rows = [f"{k // 2}{mark}{5 * (k % 2)};{800 + k}{other}25" for k in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time (s);rpm (rpm)", *rows]))
    (drive,) = read(path).drives
    (rpm,) = drive.traces
    assert rpm.t_ns.tolist() == [k * 500_000_000 for k in range(60)]
    assert rpm.value.tolist() == [800.25 + k for k in range(60)]


def test_three_digits_behind_a_point_are_thousands_where_the_file_has_decimal_commas(
    tmp_path: Path,
):
    rows = [f"{k};1.{500 + k};12,{k:02d}" for k in range(40)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time;rpm (rpm);VPWR (V)", *rows]))
    (drive,) = read(path).drives
    assert drive.traces[0].value.tolist() == [1500 + k for k in range(40)]
