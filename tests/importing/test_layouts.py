"""Where a table begins, and in which of several layouts it stands."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from logbench.errors import ImportFileError
from logbench.importing.model import Imported
from logbench.system import limits
from tests.bounded import cost_of
from tests.importing.reading import detected, read

ROWS = 60


def rpm(k: int) -> int:
    return 1500 + (k * 37) % 701


def ect(k: int) -> int:
    return 70 + k // 4


def imported(tmp_path: Path, text: str, encoding: str = "utf-8") -> Imported:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding)
    return read(path)


def check(made: Imported, step: float = 1.0) -> None:
    """RPM and ECT as above, a row each `step` seconds."""
    (drive,) = made.drives
    traces = {trace.signal: trace for trace in drive.traces}
    assert traces["RPM"].value.tolist() == [rpm(k) for k in range(ROWS)]
    assert traces["ECT"].value.tolist() == [ect(k) for k in range(ROWS)]
    for name in ("RPM", "ECT"):
        assert traces[name].t_s == pytest.approx(step * np.arange(ROWS))


BODY = [f"{k},{rpm(k)},{ect(k)}" for k in range(ROWS)]


@pytest.mark.parametrize("heads", [
    ["# made on a Tuesday", "# by, nobody, known", "time,rpm,coolant temperature"],
    ["#time,rpm,coolant temperature"],
    ["# time (s),rpm,coolant temperature", "# s,rpm,degC"],
    ["Log of a drive,,", "Engine,Engine,Engine", "time,rpm,coolant temperature", "s,rpm,°C"],
    ["time,rpm,coolant temperature", "Elapsed time,Speed of the engine,Temperature of water",
     "s,rpm,°C"],
    ["Version,2", "Vehicle,unknown", "", "time,rpm,coolant temperature"],
    ["\ufeff\ufefftime,rpm,coolant temperature"],
    ["time,0C,05"],
    ["time,0x0C,0x05"],
    ["time,010C,0105"],
    ["sep=,", '"time","rpm","coolant temperature"'],
])  # fmt: skip
def test_the_header_is_found(tmp_path: Path, heads: list[str]):
    check(imported(tmp_path, "\n".join([*heads, *BODY])))


def test_headings_that_are_numbers_beside_names(tmp_path: Path):
    rows = [f"{k},{rpm(k)},{k % 5},{ect(k)},{k % 3}" for k in range(ROWS)]
    made = imported(tmp_path, "\n".join(["time,RPM,0100,coolant temperature,0120", *rows]))
    check(made)


def test_comments_within_the_table_are_told(tmp_path: Path):
    rows = ["time,rpm,coolant temperature", *BODY[:30], "# a pause", "#30,1,2", *BODY[30:]]
    made = imported(tmp_path, "\n".join(rows))
    check(made)
    assert "2 lines of comments are not imported." in made.report.remarks
    assert made.report.left_out == 0


def test_a_column_headed_by_a_hash_is_no_comment(tmp_path: Path):
    rows = ["#,time,rpm,coolant temperature", *(f"{k + 1},{row}" for k, row in enumerate(BODY))]
    check(imported(tmp_path, "\n".join(rows)))


@pytest.mark.parametrize("spelled", ["0C 05", "0x0C 0x05", "010C 0105", "10C 105", "0Ch 05h"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_long_file_without_a_header(tmp_path: Path, spelled: str, delimiter: str):
    """`ms,PID,value`, each sample with a time of its own."""
    one, other = spelled.split()
    rows = [f"{500 * k + 7 + 250 * n},{pid},{value(k)}" for k in range(ROWS)
            for n, (pid, value) in enumerate(((one, rpm), (other, ect)))]  # fmt: skip
    (drive,) = imported(tmp_path, "\n".join(rows).replace(",", delimiter)).drives
    traces = {trace.signal: trace for trace in drive.traces}
    assert traces["RPM"].value.tolist() == [rpm(k) for k in range(ROWS)]
    assert traces["ECT"].value.tolist() == [ect(k) for k in range(ROWS)]
    assert np.diff(traces["RPM"].t_s) == pytest.approx(np.full(ROWS - 1, 0.5))
    assert traces["ECT"].t_s[0] - traces["RPM"].t_s[0] == pytest.approx(0.25)


def test_a_tracker_that_writes_its_own_numbers_beside_pids(tmp_path: Path):
    """`10C` is service 01, PID 0C; so `11` and `A` are something else, not PIDs 11 and 0A."""
    rows = [f"{500 * k + n},{pid},{value}" for k in range(ROWS)
            for n, (pid, value) in enumerate((("10C", rpm(k)), ("105", ect(k)), ("111", k % 40),
                                              ("11", 20260301), ("A", f"49.{k}"),
                                              ("20", f"{k};0;1")))]  # fmt: skip
    (drive,) = imported(tmp_path, "\n".join(rows)).drives
    assert {trace.signal for trace in drive.traces} == {"RPM", "ECT", "TP"}


def test_pids_in_decimal(tmp_path: Path):
    """12 may be 0x0C or 0x12: the numbers tell."""
    rows = [f"{250 * (2 * k + n)},{pid},{value(k)}" for k in range(ROWS)
            for n, (pid, value) in enumerate((("12", rpm), ("5", ect)))]  # fmt: skip
    (drive,) = imported(tmp_path, "\n".join(["time (ms),PID,value", *rows])).drives
    assert {t.signal: t.value[0] for t in drive.traces} == {"RPM": rpm(0), "ECT": ect(0)}


@pytest.mark.parametrize("head", ["time,rpm,time,coolant temperature",
                                  "time (s),rpm,time (s),coolant temperature",
                                  "Time,rpm,Time,coolant temperature\ns,rpm,s,°C"])  # fmt: skip
def test_times_beside_each_signal(tmp_path: Path, head: str):
    rows = [f"{k * 0.5:.1f},{rpm(k)},{k + 0.2:.1f},{ect(k)}" if k < 30
            else f"{k * 0.5:.1f},{rpm(k)},," for k in range(ROWS)]  # fmt: skip
    made = imported(tmp_path, "\n".join([head, *rows]))
    (drive,) = made.drives
    traces = {trace.signal: trace for trace in drive.traces}
    assert traces["RPM"].t_s == pytest.approx(np.arange(ROWS) * 0.5)
    assert traces["ECT"].t_s == pytest.approx(np.arange(30) + 0.2)
    assert traces["ECT"].value.tolist() == [ect(k) for k in range(30)]
    assert "Each signal has times of its own beside it." in made.report.remarks


def test_mappings_of_paired_files_are_told_apart(tmp_path: Path):
    prints = set()
    for name in ("rpm", "vehicle speed"):
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join([f"time,{name},time,ECT", *["1,2,1,80", "2,2,2,80"] * 9]))
        prints.add(detected(path).fingerprint)
    assert len(prints) == 2


# --- workbooks ---


def book(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
    made.save(path)
    return path


HEAD: list[object] = ["time", "rpm", "coolant temperature"]


def rows_at(cell: object) -> list[list[object]]:
    assert callable(cell)
    return [[cell(k), rpm(k), ect(k)] for k in range(ROWS)]


@pytest.mark.parametrize("cell", [
    lambda k: k, float, str, lambda k: time(10, 0, k),
    lambda k: datetime(2026, 3, 1, 10, 0, k), lambda k: timedelta(seconds=k),
])  # fmt: skip
def test_a_workbook(tmp_path: Path, cell: object):
    pages = {"About": [["A log"], ["of a drive"]], "Data": [["Title"], [], HEAD, *rows_at(cell)]}
    made = read(book(tmp_path / "log.xlsx", pages))
    check(made)
    assert any("'About'" in remark for remark in made.report.remarks)


def test_sheets_of_one_header_are_drives(tmp_path: Path):
    page = [HEAD, *rows_at(lambda k: k)]
    made = read(book(tmp_path / "log.xlsx", {"Drive 1": page, "Drive 2": page}))
    assert [len(drive.traces[0]) for drive in made.drives] == [ROWS, ROWS]


def test_numbers_of_a_workbook_to_the_last_bit(tmp_path: Path):
    values = np.random.default_rng(3).uniform(0.1, 400, ROWS).round(12)
    rows: list[list[object]] = [["time (s)", "MAF (g/s)"]]
    rows += [[k / 10, float(value)] for k, value in enumerate(values)]
    (drive,) = read(book(tmp_path / "log.xlsx", {"a": rows})).drives
    assert drive.traces[0].value.tolist() == values.tolist()


def hostile_book(path: Path, name: str, data: bytes) -> Path:
    """A workbook with one of its parts put in place of another."""
    whole = book(path.with_suffix(".good.xlsx"), {"a": [HEAD, *rows_at(lambda k: k)]})
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            new.writestr(part.filename, data if part.filename == name else old.read(part))
    return path


PAGE = "xl/worksheets/sheet1.xml"
XML = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
BOOKS: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "unpacks to a gigabyte": (PAGE, lambda: XML + b" " * 1_000_000_000, "unpacks to more than"),
    "a last row far below": (
        PAGE, lambda: XML + b'<row r="1"><c r="A1"><v>1</v></c></row><row r="99999999999">'
        b'<c r="A1"><v>1</v></c></row></sheetData></worksheet>', "more than"
    ),
    "rows of the widest": (
        PAGE, lambda: XML + b'<row><c r="XFD1"><v>1</v></c></row>' * 100_000
        + b"</sheetData></worksheet>", "more than"
    ),
    "entities within entities": (
        PAGE, lambda: b'<!DOCTYPE a [<!ENTITY b "c"><!ENTITY d "&b;&b;">]>' + XML, "not a plain XML"
    ),
    "cut short": (PAGE, lambda: XML, "damaged"),
    "no XML": ("xl/workbook.xml", lambda: b"nothing", "damaged"),
}  # fmt: skip


@pytest.mark.parametrize("what", BOOKS)
def test_a_hostile_workbook(tmp_path: Path, what: str):
    name, data, answer = BOOKS[what]
    path = hostile_book(tmp_path / "bad.xlsx", name, data())
    setup = "from logbench.importing.run import read_file\nimport openpyxl"
    cost = cost_of("read_file(path, memory=path.parent)", path, setup, seconds=12, megabytes=300)
    assert answer in cost.answer, cost


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04" + b"\0" * 100, b"nothing at all" * 100])
def test_what_is_no_workbook(tmp_path: Path, data: bytes):
    path = tmp_path / "bad.xlsx"
    path.write_bytes(data)
    with pytest.raises(ImportFileError, match=r"damaged or no XLSX"):
        read(path)


def test_a_workbook_that_is_cut_anywhere(tmp_path: Path):
    whole = book(tmp_path / "log.xlsx", {"a": [HEAD, *rows_at(lambda k: k)]}).read_bytes()
    path = tmp_path / "cut.xlsx"
    for size in range(0, len(whole), 211):
        path.write_bytes(whole[:size])
        with pytest.raises(ImportFileError):
            read(path)
        path.write_bytes(whole[:size] + bytes(x ^ 0x55 for x in whole[size : size + 9])
                         + whole[size + 9 :])  # fmt: skip
        try:
            read(path)
        except ImportFileError:
            continue


def test_limits_of_a_workbook_are_those_of_a_sheet():
    assert limits.BOOK_CELLS <= limits.SHEET_CELLS
