"""What would come out of an import, and what is refused as no drive at all."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from logbench.errors import ImportFileError
from logbench.importing.model import Mapping
from logbench.importing.outcome import DriveOutcome, outcome_of
from tests.importing.reading import detected, read


def outcomes(tmp_path: Path, text: str, mapping: Mapping | None = None) -> tuple[DriveOutcome, ...]:
    """Of a log with this text."""
    (tmp_path / "a.csv").write_text(text)
    return tuple(map(outcome_of, read(tmp_path / "a.csv", mapping).drives))


def table(header: str, *columns: list[float]) -> str:
    """A log of a column of seconds and others."""
    rows = [",".join(f"{v:g}" for v in row) for row in zip(*columns, strict=True)]
    return "\n".join([header, *rows]) + "\n"


def test_length_start_rate_and_ranges(tmp_path: Path):
    rows = "".join(f"2026-03-01 09:{k // 60:02d}:{k % 60:02d},{700 + k % 7},{60 + k // 9}\n"
                   for k in range(121))  # fmt: skip
    (drive,) = outcomes(tmp_path, f"time,rpm,ECT (degC)\n{rows}")
    assert (drive.started, drive.length_s) == ("2026-03-01T09:00:00", 120.0)
    by = {signal.signal: signal for signal in drive.signals}
    assert (by["RPM"].low, by["RPM"].high, by["RPM"].unit) == (700.0, 706.0, "rpm")
    assert by["RPM"].range == "700 to 706 rpm"
    assert by["RPM"].rate == "1 Hz"
    assert drive.doubts == ()


def test_rates_are_of_readings_and_not_of_rows(tmp_path: Path):
    """Rows every 0.5 s, each value held over four of them: a reading every 2 s."""
    random = np.random.default_rng(3)
    read_rpm = np.repeat(random.integers(700, 3000, 150), 4).astype(float).tolist()
    read_map = np.repeat(random.integers(30, 90, 150), 4).astype(float).tolist()
    t = [0.5 * k for k in range(600)]
    (drive,) = outcomes(tmp_path, table("time (s),rpm,MAP (kPa)", t, read_rpm, read_map))
    for signal in drive.signals:
        assert signal.interval_s == pytest.approx(2.0, rel=0.05)
        assert signal.readings == pytest.approx(150, rel=0.05)
        assert signal.rate.startswith("every 2")


T_20_MIN = [float(k) for k in range(1200)]


@pytest.mark.parametrize(
    ("header", "column", "said"),
    [
        ("rpm", [12_000.0 + k % 9 for k in range(1200)], "RPM of 12,008 rpm"),
        ("ECT (degC)", [20.0 + k % 3 for k in range(1200)], "never comes above 22 degC"),
        ("ECT (degC)", [80.0 + k % 120 for k in range(1200)], "ECT of 199 degC"),
        ("Control module voltage (V)", [61.0 + k % 2 for k in range(1200)], "VPWR of 62 V"),
        ("Barometric pressure (kPa)", [31.0 + k % 2 for k in range(1200)], "BARO of 31 kPa"),
        ("LAMBDA", [0.0] * 1200, "LAMBDA never comes above 0"),
        ("rpm", [800.0] * 1200, "No value ever changes"),
    ],
)
def test_what_is_implausible_is_told(tmp_path: Path, header: str, column: list[float], said: str):
    """Where a person insists on such a column; a proposal asks about it."""
    text = table(f"time (s),{header}", T_20_MIN, column)
    (tmp_path / "a.csv").write_text(text)
    mapping = detected(tmp_path / "a.csv")
    mapping.assign(header, mapping.columns[0].signal)
    (drive,) = outcomes(tmp_path, text, mapping)
    assert any(said in doubt for doubt in drive.doubts), drive.doubts


def test_a_car_that_moves_with_a_still_engine_is_told(tmp_path: Path):
    speed = [float(k % 50) for k in range(1200)]
    text = table("time (s),rpm,VSS (km/h)", T_20_MIN, [0.0] * 1200, speed)
    (drive,) = outcomes(tmp_path, text)
    assert "The car moves, and RPM is 0 all the time." in drive.doubts


def test_absurd_times_are_told(tmp_path: Path):
    rpm = [700.0 + k % 90 for k in range(1200)]
    (tmp_path / "a.csv").write_text(table("time (s),rpm", T_20_MIN, rpm))
    mapping = detected(tmp_path / "a.csv")
    mapping.time.unit = "us"
    (drive,) = map(outcome_of, read(tmp_path / "a.csv", mapping).drives)
    assert any("is the time right" in doubt for doubt in drive.doubts)
    mapping.time.unit, mapping.split.gap_s = "h", 1e9
    (drive,) = map(outcome_of, read(tmp_path / "a.csv", mapping).drives)
    assert any("without a pause" in doubt for doubt in drive.doubts)


@pytest.mark.parametrize("started", ["1970-01-01 00:00:00", "2199-01-01 00:00:00"])
def test_absurd_dates_are_told(tmp_path: Path, started: str):
    text = "time,rpm\n" + "".join(f"{started[:-2]}{k:02d},{700 + k}\n" for k in range(50))
    (drive,) = outcomes(tmp_path, text)
    assert any("would have begun" in doubt for doubt in drive.doubts)


def test_a_plain_drive_has_no_doubts(tmp_path: Path):
    rpm = [900.0 + 500 * math.sin(k / 20) for k in range(1200)]
    ect = [min(90.0, 20.0 + k / 10) for k in range(1200)]
    (drive,) = outcomes(tmp_path, table("time (s),rpm,ECT (degC)", T_20_MIN, rpm, ect))
    assert drive.doubts == ()


# --- what is refused ---


def test_no_duration_is_refused(tmp_path: Path):
    with pytest.raises(ImportFileError, match="lasts no time"):
        outcomes(tmp_path, "time (s),rpm\n5,700\n")


def test_one_drive_of_several_without_a_duration_is_left_out_and_told(tmp_path: Path):
    (tmp_path / "a.csv").write_text("time,rpm\n0,700\n1,701\n0,800\n1,801\n5,802\n0,900\n")
    imported = read(tmp_path / "a.csv")
    assert len(imported.drives) == 2
    assert any("Drive 3 is left out" in remark for remark in imported.report.remarks)
    assert imported.report.samples == 5


def test_values_that_are_all_out_of_range_are_refused(tmp_path: Path):
    text = table("time (s),ECT (degC)", [0.0, 1.0, 2.0], [700.0, 710.0, 720.0])
    (tmp_path / "a.csv").write_text(text)
    mapping = detected(tmp_path / "a.csv")
    mapping.assign("ECT (degC)", "ECT", "degC")
    for kept in (False, True):
        mapping.keep_out_of_range = kept
        with pytest.raises(ImportFileError, match=r"outside of .* range"):
            read(tmp_path / "a.csv", mapping)


def test_without_a_known_signal_it_is_refused(tmp_path: Path):
    (tmp_path / "a.csv").write_text("time (s),fizz\n0,1\n1,2\n2,3\n")
    mapping = detected(tmp_path / "a.csv")
    mapping.assign("fizz", "FIZZ", "")
    with pytest.raises(ImportFileError, match="known signal"):
        read(tmp_path / "a.csv", mapping)
