"""Headings seen in files of others: a row of PIDs below the names, times in other languages."""

from __future__ import annotations

import pytest

from logbench.errors import ImportFileError
from logbench.importing.names import is_derived, is_kind
from tests.importing.reading import detected, read

ROWS = [(k, 750 + 20 * (k % 40), k % 60, 20 + k // 10) for k in range(300)]


@pytest.mark.parametrize("pids", ['"","0C","0D","05"', "0100,0C,0D,05", "0x00,0x0C,0x0D,0x05"])
def test_a_row_of_pids_below_the_names_is_a_heading(tmp_path, pids):
    path = tmp_path / "log.csv"
    rows = "\n".join(",".join(map(str, row)) for row in ROWS)
    path.write_text(f"time,engine speed,speed,coolant\n{pids}\n{rows}\n")
    (drive,) = read(path).drives
    assert {t.signal for t in drive.traces} == {"RPM", "VSS", "ECT"}
    assert all(len(t) == 300 for t in drive.traces)


def test_numbers_that_begin_with_a_nought_are_data(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,speed,coolant\n00,01,020\n" + "\n".join(f"{k},2,21" for k in range(99)))
    (drive,) = read(path).drives
    assert all(len(t) == 100 for t in drive.traces)


@pytest.mark.parametrize("name", ["Zeit", "Uhrzeit", "Tiempo", "Tempo"])
def test_times_in_other_languages(tmp_path, name):
    """General language knowledge, no source."""
    assert is_kind(name, "time")
    path = tmp_path / "log.csv"
    rows = "\n".join(f"{k},0;{rpm}" for k, rpm, _, _ in ROWS)
    path.write_text(f"{name};RPM (rpm)\n{rows}\n")
    time = detected(path).time
    assert (time.places, time.format, time.unit) == ([0], "number", "s")


def test_what_a_satellite_receiver_says_is_no_sensor():
    assert is_derived("Speed (GPS)(km/h)")
    assert not is_derived("Speed (km/h)")


def test_times_that_stand_still_are_refused_and_a_distance_of_rows_can_be_stated(tmp_path):
    """Seen: 20 drives imported with every sample at t = 0, and called a success."""
    path = tmp_path / "log.csv"
    rows = "\n".join(f"1.51336E+12,{rpm},{ect}" for _, rpm, _, ect in ROWS)
    path.write_text(f"time,RPM (rpm),ECT (C)\n{rows}\n")
    with pytest.raises(ImportFileError, match=r"column time stand still.* how far rows are apart"):
        read(path)
    mapping = detected(path)
    mapping.time.standing, mapping.time.period_s = "", 0.5
    (drive,) = read(path, mapping).drives
    assert drive.traces[0].t_ns[-1] == 299 * 500_000_000
