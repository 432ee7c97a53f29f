"""Generated files of every kind that section 1 of the issue names, read as detected."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.errors import ImportFileError
from logbench.importing.model import Drive, Imported
from tests.importing.reading import column_of, detected, read

RPM = np.array([0.0, 655.25, 2124.0, 1804.5])
MAF = np.array([0.0, 2.5, 24.77, 12.01])


def read_text(tmp_path: Path, text: str, encoding: str = "utf-8") -> Imported:
    path = tmp_path / "file.csv"
    path.write_bytes(text.encode(encoding))
    return read(path)


def values(drive: Drive, signal: str, ecu: str = "7E8") -> tuple[list[float], list[float]]:
    for trace in drive.traces:
        if (trace.signal, trace.ecu) == (signal, ecu):
            return (trace.t_ns / 1e9).tolist(), trace.value.tolist()
    raise AssertionError(f"no {signal}: {[t.signal for t in drive.traces]}")


def check_plain(imported: Imported, times: list[float] | None = None) -> None:
    (drive,) = imported.drives
    t_s, rpm = values(drive, "RPM")
    assert t_s == pytest.approx(times or [0, 1, 2, 3])
    assert rpm == pytest.approx(RPM.tolist())
    assert values(drive, "MAF")[1] == pytest.approx(MAF.tolist())


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_delimiters_and_encodings(tmp_path, delimiter, encoding):
    rows = ["time (s),Engine speed (rpm),MAF (g/s),Kühlmittel", "0,0,0,x", "1,655.25,2.5,x",
            "2,2124,24.77,y", "3,1804.5,12.01,z"]  # fmt: skip
    imported = read_text(tmp_path, "\n".join(rows).replace(",", delimiter), encoding)
    check_plain(imported)
    assert imported.mapping is not None
    assert imported.mapping.delimiter == delimiter
    assert any("Kühlmittel" in remark for remark in imported.report.remarks)


def test_decimal_comma_with_thousands_points(tmp_path):
    text = "time;rpm;MAF (g/s)\r\n0;0;0\r\n1;655,25;2,5\r\n2;2.124,00;24,77\r\n3;1.804,50;12,01\r\n"
    check_plain(read_text(tmp_path, text))


def test_thousands_commas_in_quoted_fields_and_trailing_delimiters(tmp_path):
    text = 'time,rpm,"MAF, g/s",\n0,0,0,\n1,655.25,2.5,\n2,"2,124.00",24.77,\n3,"1,804.50",12.01,\n'
    check_plain(read_text(tmp_path, text))


def test_spaces_as_thousands_marks(tmp_path):
    text = "time;rpm;MAF [g/s]\n0;0;0\n1;655,25;2,5\n2;2\u00a0124,0;24,77\n3;1\u202f804,5;12,01\n"
    check_plain(read_text(tmp_path, text))


def test_units_in_cells(tmp_path):
    """The three cells of the issue: `2124RPM`, `24,77g/s`, `00:03:02`."""
    text = (
        "time;Engine speed;air mass;engine run time;Coolant temperature\n"
        "00:00:00;0RPM;0g/s;00:03:02;20 °C\n00:00:01;655,25RPM;2,5g/s;00:03:03;68 °F\n"
        "00:00:02;2124RPM;24,77g/s;00:03:04;212°F\n00:00:03;1804,5RPM;12,01g/s;00:03:05;30°C\n"
    )
    imported = read_text(tmp_path, text)
    check_plain(imported)
    assert values(imported.drives[0], "RUNTM")[1] == [182, 183, 184, 185]
    assert values(imported.drives[0], "ECT")[1] == pytest.approx([20, 20, 100, 30])


def test_units_in_a_row_below_the_header_after_a_preamble(tmp_path):
    text = (
        "My workshop log\nwritten on a Tuesday\n\n"
        "Time,Engine speed,Vehicle speed,Coolant temp\ns,rpm,mph,°F\n"
        "0,800,0,68\n1,900,60,212\n2,950,60,212\n"
    )
    imported = read_text(tmp_path, text)
    (drive,) = imported.drives
    assert values(drive, "VSS")[1] == pytest.approx([0, 96.56064, 96.56064])  # 1.609344 km: exact
    assert values(drive, "ECT")[1] == pytest.approx([20, 100, 100])
    assert any("2 lines before the header" in remark for remark in imported.report.remarks)


@pytest.mark.parametrize(
    ("unit", "number", "signal", "expected"),
    [
        # NIST SP 811 (2008), table of conversion factors, from memory
        ("psi", 14.5037738, "MAP", 100.0),
        ("inHg", 29.92126, "BARO", 101.325),
        ("lb/min", 1.0, "MAF", 7.5598728),
        ("kg/h", 36.0, "MAF", 10.0),
        ("mV", 13800, "VPWR", 13.8),
        ("mi", 100.0, "CLR_DIST", 160.9344),
        ("K", 373.15, "ECT", 100.0),
    ],
)
def test_units_are_converted(tmp_path, unit, number, signal, expected):
    imported = read_text(tmp_path, f"time (s),{signal} ({unit})\n0,{number}\n1,{number}\n")
    assert values(imported.drives[0], signal)[1] == pytest.approx([expected] * 2, rel=1e-6)


def test_a_supposed_unit_is_said(tmp_path):
    imported = read_text(tmp_path, "time,coolant temperature\n0,180\n1,195\n2,196\n")
    assert values(imported.drives[0], "ECT")[1][1] == pytest.approx(90.5556, abs=1e-3)
    assert any("degF is supposed" in remark for remark in imported.report.remarks)
    imported = read_text(tmp_path, "time,coolant temperature\n0,80\n1,95\n2,96\n")
    assert values(imported.drives[0], "ECT")[1][1] == 95
    assert any("degC is supposed" in remark for remark in imported.report.remarks)


@pytest.mark.parametrize(
    ("header", "cells", "times", "started"),
    [
        ("time (ms)", ["0", "250", "500", "1500"], [0, 0.25, 0.5, 1.5], ""),
        ("time", ["0", "100", "200", "300"], [0, 0.1, 0.2, 0.3], ""),
        ("t_s", ["5.000000001", "6", "7", "8"], [5.000000001, 6, 7, 8], ""),
        ("elapsed", ["00:59:59.5", "01:00:00", "01:00:01", "01:00:02"], [0, 0.5, 1.5, 2.5], ""),
        ("Time", ["23:59:59", "00:00:00", "00:00:01", "00:00:02"], [0, 1, 2, 3], ""),
        ("Time", ["11:59:59 AM", "12:00:00 PM", "12:00:01 PM", "12:20:00 PM"],
         [0, 1, 2, 1201], ""),
        ("timestamp", ["2026-03-01T10:00:00.25Z", "2026-03-01T10:00:01.25Z",
                       "2026-03-01T10:00:02.25Z", "2026-03-01T10:00:03.25Z"],
         [0, 1, 2, 3], "2026-03-01T10:00:00.250000+00:00"),
        ("timestamp", ["2026-03-01 11:00:00+01:00", "2026-03-01 11:00:01+01:00",
                       "2026-03-01 11:00:02+01:00", "2026-03-01 11:00:03+01:00"],
         [0, 1, 2, 3], "2026-03-01T10:00:00+00:00"),
        ("datetime", ["31.12.2025 23:59:59,5", "01.01.2026 00:00:00,5", "01.01.2026 00:00:01,5",
                      "01.01.2026 00:00:02,5"], [0, 1, 2, 3], ""),
        ("Date Time", ["12/31/2025 11:59:59 PM", "1/1/2026 12:00:00 AM", "1/1/2026 12:00:01 AM",
                       "1/1/2026 12:00:02 AM"], [0, 1, 2, 3], ""),
        ("Device time", ["01-Mar-2026 10:00:00.000", "01-Mar-2026 10:00:01.000",
                         "01-Mar-2026 10:00:02.000", "01-Mar-2026 10:00:03.000"],
         [0, 1, 2, 3], ""),
        ("timestamp", ["1772359200000", "1772359200500", "1772359201000", "1772359202000"],
         [0, 0.5, 1, 2], "2026-03-01T10:00:00+00:00"),
        ("time", ["46082.4166666667", "46082.4166782407", "46082.4166898148", "46082.4167013889"],
         [0, 1, 2, 3], ""),
    ],
)  # fmt: skip
def test_time_formats(tmp_path, header, cells, times, started):
    """Instants: 1772359200 is 2026-03-01T10:00:00Z (`date -u -d @1772359200`); spreadsheet day
    46082 is 2026-03-01."""
    rows = [f"{cell};{value}" for cell, value in zip(cells, [700, 710, 720, 730], strict=True)]
    imported = read_text(tmp_path, f"{header};rpm\n" + "\n".join(rows))
    (drive,) = imported.drives
    t_s, rpm = values(drive, "RPM")
    assert t_s == pytest.approx(times, abs=2e-5 if "46082" in cells[0] else 1e-9)
    assert rpm == [700, 710, 720, 730]
    assert drive.facts.started_utc == started


def test_a_date_without_a_zone_is_kept_as_it_stands(tmp_path):
    for first, second in (("46082.4166666667", "46082.4166782407"),  # `date -u -d 2026-03-01`
                          ("01.03.26 10:00:00", "01.03.26 10:00:01")):  # fmt: skip
        imported = read_text(tmp_path, f"time;rpm\n{first};700\n{second};710\n")
        assert imported.drives[0].facts.started_local[:19] == "2026-03-01T10:00:00"


def test_date_and_time_of_day_in_two_columns(tmp_path):
    imported = read_text(
        tmp_path,
        "Date,Time,rpm\n2026-03-01,23:59:59,700\n2026-03-02,00:00:00,710\n2026-03-02,00:00:09,720\n",
    )
    assert values(imported.drives[0], "RPM")[0] == [0, 1, 10]
    started = imported.drives[0].facts.started_local
    assert started == "2026-03-01T23:59:59"


def test_no_time_at_all(tmp_path):
    imported = read_text(tmp_path, "rpm,MAF (g/s)\n0,0\n655.25,2.5\n2124,24.77\n1804.5,12.01\n")
    check_plain(imported)
    assert any("No column tells the time" in remark for remark in imported.report.remarks)


def test_long_layout_sorted_by_time_or_by_signal(tmp_path):
    rows = [("0", "Engine RPM", "700", "rpm"), ("0.5", "Coolant temp", "68", "°F"),
            ("1", "Engine RPM", "710", "rpm"), ("1.5", "Coolant temp", "212", "°F"),
            ("2", "Engine RPM", "720", "rpm"), ("2.5", "Coolant temp", "212", "°F"),
            ("3", "Engine RPM", "730", "rpm"), ("3.5", "Coolant temp", "213.8", "°F")]  # fmt: skip
    for order in (rows, sorted(rows, key=lambda row: row[1])):
        text = "time,parameter,value,unit\n" + "\n".join(",".join(row) for row in order)
        (drive,) = read_text(tmp_path, text).drives
        assert values(drive, "RPM") == ([0, 1, 2, 3], [700, 710, 720, 730])
        t_s, ect = values(drive, "ECT")
        assert t_s == [0.5, 1.5, 2.5, 3.5]
        assert ect == pytest.approx([20, 100, 100, 101])


def test_long_layout_by_pid(tmp_path):
    text = "timestamp;pid;value\n0;0x0C;700\n0;0x05;90\n1;0x0C;710\n1;0x05;91\n"
    (drive,) = read_text(tmp_path, text).drives
    assert values(drive, "RPM")[1] == [700, 710]
    assert values(drive, "ECT")[1] == [90, 91]


@pytest.mark.parametrize("layout", ["repeated header", "time restarts", "drive column", "pause"])
def test_several_drives_in_one_file(tmp_path, layout):
    first, second = ["0,700", "1,710", "2,720"], ["0,800", "1,810", "2,820"]
    if layout == "repeated header":
        text = "\n".join(["time,rpm", *first, "time,rpm", *second])
    elif layout == "time restarts":
        text = "\n".join(["time,rpm", *first, *second])
    elif layout == "pause":
        text = "\n".join(["time,rpm", *first, "9000,800", "9001,810", "9002,820"])
    else:
        text = "\n".join(["time,rpm,trip", *(f"{r},A" for r in first), *(f"{r},B" for r in second)])
    imported = read_text(tmp_path, text)
    assert [values(drive, "RPM") for drive in imported.drives] == [
        ([0, 1, 2], [700, 710, 720]),
        ([0, 1, 2], [800, 810, 820]),
    ]


def test_nonsense_is_counted_and_listed(tmp_path):
    text = (
        "time,rpm,ECT (degC)\n0,700,90\n1,oops,\n2,720,--\nbroken,730,91\n4,1e9,92\n5,740,93,94\n"
        "6,inf,nan\n"
    ) + "".join(f"{t},750,\n" for t in range(7, 17))
    imported = read_text(tmp_path, text)
    assert values(imported.drives[0], "RPM") == (
        [0, 2, 5, *range(7, 17)],
        [700, 720, 740] + [750] * 10,
    )
    t_s, ect = values(imported.drives[0], "ECT")
    assert t_s == [0, 4, 5, 6]
    assert np.isnan(ect[-1])
    assert imported.report.empty == 12
    assert {(u.line, u.text, u.reason) for u in imported.report.unread} == {
        (3, "oops", "is not a number"),
        (5, "broken", "is not a time: the row is left out"),
        (6, "1e9", "is out of the range of RPM"),
        (7, "94", "lies beyond the last column"),
        (8, "inf", "is not a number"),
    }
    assert imported.report.left_out == 5


def test_every_cell_is_accounted_for(tmp_path):
    """Cells of mapped columns = samples + empty + left out (rows without a time lose all)."""
    rng = np.random.default_rng(5)
    kinds = ["", "x?", "n/a", "99999999", "nan", *["100"] * 60]
    rows = [f"{k},{rng.choice(kinds)},{rng.choice(kinds)}" for k in range(400)]
    imported = read_text(
        tmp_path, "time,rpm,coolant temperature (°F)\n0,800,90\n" + "\n".join(rows)
    )
    report = imported.report
    assert report.samples + report.empty + report.left_out == 2 * 401


def test_words_for_states(tmp_path):
    text = "time,Fuel system status,MIL\n0,OL,off\n1,CL,on\n2,closed loop,on\n"
    (drive,) = read_text(tmp_path, text).drives
    assert values(drive, "FUELSYS1")[1] == [1, 2, 2]
    assert values(drive, "MIL")[1] == [0, 1, 1]


def test_doubtful_columns_stay_out_until_the_user_says_so(tmp_path):
    path = tmp_path / "file.csv"
    path.write_text("time,quantity 7,rpm\n0,3,700\n1,4,710\n")
    mapping = detected(path)
    assert not column_of(mapping, "quantity 7").used
    mapping.assign("quantity 7", "VPWR", "V")
    (drive,) = read(path, mapping).drives
    assert values(drive, "VPWR")[1] == [3, 4]
    with pytest.raises(ImportFileError, match="no column 'nothing'"):
        mapping.assign("nothing", "RPM")
    mapping.assign("quantity 7", "VPWR", "km/h")
    with pytest.raises(ImportFileError, match="cannot be VPWR"):
        read(path, mapping)


def test_two_columns_for_one_signal(tmp_path):
    path = tmp_path / "file.csv"
    path.write_text("time,RPM,engine speed\n0,700,1\n1,710,2\n")
    mapping = detected(path)
    assert [column.used for column in mapping.columns] == [True, False]
    assert values(read(path).drives[0], "RPM")[1] == [700, 710]


def test_two_banks_and_sensors_are_never_mixed_up(tmp_path):
    names = ["LTFT B1", "LTFT B2", "STFT bank 1 (%)", "Short term fuel trim - bank 2",
             "O2 B1S2 voltage (V)", "O2 sensor bank 2 sensor 1 (V)",
             "cat temp b2s1 (°C)"]  # fmt: skip
    (drive,) = read_text(
        tmp_path, f"time,{','.join(names)}\n0,1,2,3,4,.5,.6,400\n1,1,2,3,4,.5,.6,401"
    ).drives
    found = {trace.signal: trace.value[0] for trace in drive.traces}
    assert found == {"LONGFT1": 1, "LONGFT2": 2, "SHRTFT1": 3, "SHRTFT2": 4, "O2S12": 0.5,
                     "O2S21": 0.6, "CATEMP21": 400}  # fmt: skip


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty"),
        (b"  \n \n", "is empty"),
        (b"\x00\x01\x02\x03" * 20, "is not a text file"),
        (b"hello world\n", "could be imported"),
        (b"a,b,c\nx,y,z\n", "could be imported"),
    ],
)
def test_files_that_hold_nothing(tmp_path, content, sentence):
    path = tmp_path / "file.csv"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match=sentence):
        read(path)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ImportFileError, match="cannot be read"):
        read(tmp_path / "gone.csv")
    with pytest.raises(ImportFileError, match="not a file"):
        read(tmp_path)
