"""Numbers that are not readings are left out and told; real zeros and ends stay, to the bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.importing.model import Imported
from logbench.importing.run import import_file
from logbench.recording.reader import open_recording
from tests.importing.reading import detected, read

HEAD = "time (s),rpm,speed (km/h),coolant temperature (°F),MAP (kPa),STFT (%)"


def written(tmp_path: Path, rows: list[str], head: str = HEAD) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, *rows]))
    return path


def real(k: int) -> str:
    return f"{k},{800 + k % 9 * 10},{k % 7},{170 + k // 20},{35 + k % 5},{k % 4 - 1.5}"


def of(imported: Imported, signal: str) -> np.ndarray:
    (drive,) = imported.drives
    return next(trace.value for trace in drive.traces if trace.signal == signal)


def reasons(imported: Imported) -> dict[str, int]:
    found: dict[str, int] = {}
    for (_, reason), count in imported.report.counts.items():
        found[reason] = found.get(reason, 0) + count
    return found


def test_rows_of_zeros_before_the_first_are_no_cold_start(tmp_path: Path):
    """0 degF is -18 degC: seen as 'a cold start from -18 degC'."""
    rows = [f"{k},0,0,0,0,0" for k in range(5)] + [real(k) for k in range(5, 120)]
    imported = read(written(tmp_path, rows))
    assert of(imported, "ECT").min() > 70
    assert len(of(imported, "RPM")) == 115
    assert reasons(imported) == {"stands in a row without any reading": 25}
    assert "5 rows hold no reading and are left out." in imported.report.remarks


def test_without_a_pressure_the_leap_of_a_temperature_tells(tmp_path: Path):
    head = HEAD.replace("MAP (kPa)", "TP (%)")
    rows = [f"{k},0,0,0,0,0" for k in range(5)] + [real(k) for k in range(5, 120)]
    rows[60] = "60,0,0,0,0,0"
    imported = read(written(tmp_path, rows, head))
    assert len(of(imported, "RPM")) == 114
    assert of(imported, "ECT").min() > 70


@pytest.mark.parametrize("row", [
    "{k},0,0,-40,0,-100",  # data of zeros, degF being -40, too
    "{k},16383.75,255,419,255,99.2",  # data of ones
])  # fmt: skip
def test_rows_of_data_of_zeros_or_ones(tmp_path: Path, row: str):
    rows = [row.format(k=k) if k in {0, 1, 50} else real(k) for k in range(120)]
    imported = read(written(tmp_path, rows))
    for signal in ("RPM", "VSS", "ECT", "MAP", "SHRTFT1"):
        assert len(of(imported, signal)) == 117


def test_real_zeros_stay(tmp_path: Path):
    """Key on, engine off: engine and car stand still, air and coolant do not."""
    rows = [f"{k},0,0,32,100,0" for k in range(20)] + [
        f"{k},800,0,{32 + (k - 20) // 3},35,0" for k in range(20, 120)
    ]
    path = written(tmp_path, rows)
    imported = read(path)
    assert imported.report.left_out == 0
    assert of(imported, "ECT")[:20].tolist() == pytest.approx([0.0] * 20, abs=1e-9)
    assert (of(imported, "RPM")[:20] == 0).all()
    head = "time (s),rpm,speed (km/h),TP (%),MAF (g/s)"
    path = written(tmp_path, [f"{k},0,0,0,0" for k in range(9)] + ["9,700,0,3,4"] * 9, head)
    assert len(of(read(path), "RPM")) == 18


def test_a_column_that_waits_for_its_first_reading(tmp_path: Path):
    rows = [real(k).split(",") for k in range(120)]
    for k in range(4):
        rows[k][3], rows[k][4] = "-1", "0"
    imported = read(written(tmp_path, [",".join(row) for row in rows]))
    assert (len(of(imported, "ECT")), len(of(imported, "MAP"))) == (116, 116)
    assert len(of(imported, "RPM")) == 120
    assert reasons(imported) == {"stands before the first reading": 8}


def test_numbers_that_stand_for_none(tmp_path: Path):
    rows = [real(k).split(",") for k in range(120)]
    stand_ins = {30: (1, "6553.5"), 40: (1, "16383.75"), 50: (2, "255"), 60: (5, "99.2"),
                 65: (5, "-100"), 70: (3, "NO DATA"), 80: (1, "65535"), 90: (2, "-1"),
                 95: (1, "99999")}  # fmt: skip
    for k, (place, text) in stand_ins.items():
        rows[k][place] = text
    imported = read(written(tmp_path, [",".join(row) for row in rows]))
    assert (of(imported, "RPM").max(), of(imported, "VSS").max()) == (880.0, 6.0)
    assert np.abs(of(imported, "SHRTFT1")).max() == 1.5
    assert imported.report.left_out == 8
    assert imported.report.empty == 1


def test_ends_that_a_signal_reaches_are_readings(tmp_path: Path):
    """A throttle fully open, a speed that climbs to the end, a sensor whose wire breaks."""
    head = "time (s),rpm,speed (km/h),TP (%),coolant temperature (degC),WARM_UPS"
    rows = [f"{k},{3000 + 9 * k},{min(255, 200 + k)},{100 if k > 50 else 40},"
            f"{-40 if 70 < k < 75 else 85},255" for k in range(120)]  # fmt: skip
    imported = read(written(tmp_path, rows, head))
    assert imported.report.left_out == 0
    assert of(imported, "VSS").max() == 255
    assert of(imported, "ECT").min() == -40


def test_what_a_person_wants_kept_is_kept(tmp_path: Path):
    path = written(tmp_path, [f"{k},0,0,0,0,0" for k in range(5)] + [real(k) for k in range(5, 99)])
    mapping = detected(path)
    mapping.keep_out_of_range = True
    assert len(of(read(path, mapping), "ECT")) == 99


def ramp(k: int, low: float, high: float, period: int) -> str:
    return f"{low + (high - low) * (k % period) / period:.2f}"


def test_a_demonstration_is_no_car(tmp_path: Path):
    head = "time (s),rpm,speed (km/h),coolant temperature (degC),voltage (V),STFT (%),IAT (degC)"
    rows = [f"{k},{ramp(k, 0, 16000, 97)},{ramp(k, 0, 255, 71)},{ramp(k, -40, 211, 83)},"
            f"{ramp(k, 0, 61.9, 61)},{ramp(k, -100, 99, 53)},{ramp(k, -40, 200, 47)}"
            for k in range(600)]  # fmt: skip
    path = written(tmp_path, rows, head)
    (drive,) = read(path).drives
    assert drive.facts.no_car.startswith("This is not a car: its signals sweep")
    assert drive.facts.link.simulated
    assert drive.facts.no_car in read(path).report.remarks
    outcome = import_file(path, tmp_path, memory=tmp_path)
    findings = run_checks(open_recording(outcome.made[0]))
    assert {finding.verdict for finding in findings} == {Verdict.NOT_JUDGED}
    assert {finding.reason for finding in findings} == {drive.facts.no_car}


def test_a_hard_drive_is_a_cars(tmp_path: Path):
    """From frost to boiling, from standing to the engine's end."""
    head = "time (s),rpm,coolant temperature (degC),voltage (V),STFT (%),SPARKADV (deg)"
    rows = [f"{k},{ramp(k, 0, 8000, 97)},{-20 + k / 5:.0f},{ramp(k, 9, 15, 61)},"
            f"{ramp(k, -35, 35, 53)},{ramp(k, -10, 50, 47)}" for k in range(600)]  # fmt: skip
    (drive,) = read(written(tmp_path, rows, head)).drives
    assert drive.facts.no_car == ""
