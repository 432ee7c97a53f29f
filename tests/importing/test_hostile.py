"""Files that nobody should write: read or refused with a sentence, in bounded time and memory."""

from __future__ import annotations

import gzip
import os
import re
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logbench.errors import ImportFileError
from logbench.importing.model import Report
from logbench.importing.run import files_in, read_file
from logbench.signals.units import joined, known
from logbench.system import limits
from tests.bounded import cost_of

HEAD = "time,RPM,ECT\n"
ROWS = "".join(f"{k},{800 + k},80\n" for k in range(30))


def letters(number: int) -> str:
    """A word of its own for each number."""
    return "zz" + "".join(chr(ord("a") + int(digit)) for digit in str(number))


TEXTS: dict[str, tuple[Callable[[], str], str]] = {
    "a hundred thousand columns": (
        lambda: "time," + ",".join(f"Sensor {k}" for k in range(100_000)) + "\n" + "1," * 100_000,
        "more than 3,000 cells",
    ),
    "a line of a hundred million digits": (lambda: HEAD + "9" * 100_000_000, "100,000,000 char"),
    "a line of separators": (lambda: HEAD + "," * 30_000_000, "30,000,000 char"),
    "nothing but separators": (lambda: ",,,,\n" * 1_000_000, "blank cells only"),
    "more cells than any drive has": (lambda: HEAD + "1,2,3\n" * 20_000_000, "50,000,000 cells"),
    "a quotation mark never closed": (
        lambda: HEAD + '1,"800,80\n' + "2,800,80\n" * 1_000_000, "Line 2 .* never closed"
    ),
    "blanks within a cell": (
        lambda: HEAD + "1,1" + " " * 900_000 + "x,3\n", "lasts no time|stand still"
    ),
    "huge numbers": (lambda: HEAD + f"1,1e400,{'9' * 10_000}\n" * 50, "Nothing in|stand still"),
    "a power of powers for a unit": (
        lambda: HEAD + "1,800 (9**9**9**9),80\n" * 20, "lasts no time|stand still|samples"
    ),
    "half a unit": (lambda: "time,RPM [(9**9**9],ECT\n" + ROWS, "samples"),
    "an unknown unit": (
        lambda: HEAD + "1,800 (furlong_per_x),80\n" * 20, "lasts no time|stand still|samples"
    ),
    "a name of a million letters": (lambda: f"time,{'a ' * 400_000},ECT\n" + ROWS, "samples"),
    "a hundred thousand names": (
        lambda: "time,name,value\n"
        + "".join(f"1,engine speed {letters(k)},{k}\n" for k in range(100_000)),
        "100,000 different names",
    ),
    "a hundred thousand ECUs": (
        lambda: "time,name,value,ecu\n" + "".join(f"{k},RPM,900,{k}\n" for k in range(100_000)),
        "100,000 different ECUs",
    ),
    "rows in no order": (
        lambda: HEAD + "".join(f"{k * 7919 % 50_000},800,80\n" for k in range(50_000)),
        "recordings, and at most",
    ),
    "a drive a row": (
        lambda: "trip,time,RPM,ECT\n" + "".join(f"{k},1,800,80\n" for k in range(100_000)),
        "samples|stand still|recordings, and at most",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", TEXTS)
def test_a_hostile_text_file(tmp_path: Path, what: str):
    text, answer = TEXTS[what]
    path = tmp_path / "hostile.csv"
    path.write_text(text())
    cost = cost_of(
        "f'{(read := read_file(path, memory=path.parent)).report.samples} samples'", path,
        "from logbench.importing.run import read_file\nimport logbench.signals.units as u\n"
        "u.compatible('degF', 'degC')",
        seconds=6.0, megabytes=600,  # half of it alone on the machine
    )  # fmt: skip
    assert re.search(answer, cost.answer), cost


def test_a_wide_file_that_is_honest_is_quick(tmp_path: Path):
    path = tmp_path / "wide.csv"
    names = ",".join(["time", "RPM", *(f"Sensor {k}" for k in range(limits.SHEET_COLUMNS - 2))])
    path.write_text(names + "\n" + ("1," * (limits.SHEET_COLUMNS - 1) + "1\n") * 3)
    setup = "from logbench.importing.run import read_file"
    cost_of("read_file(path, memory=path.parent)", path, setup, seconds=6.0, megabytes=300)


@pytest.mark.parametrize(
    ("clock", "zone"),
    [
        (lambda k: f"{k}", ""),
        (lambda k: f"{k / 10}", ""),
        (lambda k: f"{(23 * 3600 + 3500 + k) // 3600 % 24:02d}:{(3500 + k) // 60 % 60:02d}:"
                   f"{(3500 + k) % 60:02d}", ""),
        (lambda k: f"2026-03-01 10:{k // 60:02d}:{k % 60:02d}", "2026"),
    ],
    ids=["seconds", "tenths", "a clock over midnight", "dates"],
)  # fmt: skip
def test_a_file_written_newest_first_is_one_drive(tmp_path: Path, clock, zone):
    path = tmp_path / "newest.csv"
    rows = [f"{clock(k)},{800 + k},80\n" for k in range(500)]
    path.write_text(HEAD + "".join(rows))
    (right,) = read_file(path, memory=tmp_path).drives
    path.write_text(HEAD + "".join(reversed(rows)))
    imported = read_file(path, memory=tmp_path)
    (drive,) = imported.drives
    for trace, expected in zip(drive.traces, right.traces, strict=True):
        assert np.array_equal(trace.t_ns, expected.t_ns)
        assert np.array_equal(trace.value, expected.value)
    assert drive.facts.started_utc == right.facts.started_utc
    assert any("newest first" in remark for remark in imported.report.remarks)


def test_two_drives_newest_first_stay_two(tmp_path: Path):
    path = tmp_path / "two.csv"
    rows = [f"{t},{800 + t},80\n" for drive in range(2) for t in range(100 + drive)]
    path.write_text(HEAD + "".join(reversed(rows)))
    first, second = read_file(path, memory=tmp_path).drives
    assert (len(first.traces[0]), len(second.traces[0])) == (100, 101)
    assert list(first.traces[1].value[:2]) == [800.0, 801.0]


def test_several_drives_in_order_are_not_taken_for_newest_first(tmp_path: Path):
    path = tmp_path / "two.csv"
    path.write_text(HEAD + "".join(f"{t},800,80\n" for _ in range(3) for t in range(50)))
    imported = read_file(path, memory=tmp_path)
    assert len(imported.drives) == 3
    assert not any("newest" in remark for remark in imported.report.remarks)


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe" + (HEAD + ROWS).encode("utf-16-le") + b"\x31",
     b"\xfe\xff" + (HEAD + ROWS).encode("utf-16-be")],
    ids=["cut within a character", "big-endian"],
)  # fmt: skip
def test_utf_16_is_read_as_such(tmp_path: Path, data: bytes):
    path = tmp_path / "wide.csv"
    path.write_bytes(data)
    assert read_file(path, memory=tmp_path).report.samples == 60


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe" + HEAD.encode("utf-16-le") + b"\x00\xd8\n\x00", HEAD.encode("utf-16-le"),
     b"\0" * 1000, b"\xff\xfe" + b"\xd8" * 1001],
    ids=["half a pair", "no mark", "zeros", "halves of pairs"],
)  # fmt: skip
def test_what_is_no_text_is_never_read_as_some_other(tmp_path: Path, data: bytes):
    path = tmp_path / "odd.csv"
    path.write_bytes(data)
    with pytest.raises(ImportFileError, match=r"is not (a )?text"):
        read_file(path, memory=tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
@pytest.mark.parametrize("suffix", [".csv", ".log", ".blf", ".parquet"])
def test_a_pipe_is_not_waited_for(tmp_path: Path, suffix: str):
    path = tmp_path / f"pipe{suffix}"
    os.mkfifo(path)
    setup = "from logbench.importing.run import read_file"
    assert "ordinary" in cost_of("read_file(path)", path, setup, seconds=3, megabytes=100).answer


# --- CAN logs ---


def blf(*objects: bytes) -> bytes:
    head = struct.pack("<4sLBBBBBBBBQQLL8H8HQ", b"LOGG", 144, 5, 0, 0, 0, 4, 0, 0, 0, 0, 0,
                       0, 0, *[0] * 16, 0)[:144]  # fmt: skip
    return head.ljust(144, b"\0") + b"".join(objects)


def blf_object(kind: int, data: bytes, size: int | None = None) -> bytes:
    whole = 16 + len(data) if size is None else size
    return struct.pack("<4sHHLL", b"LOBJ", 16, 1, whole, kind) + data + b"\0" * (whole % 4)


def packed(data: bytes) -> bytes:
    return blf_object(10, struct.pack("<H6xL4x", 2, len(data)) + zlib.compress(data, 9))


CAN_LOGS: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "a block of a gigabyte": (
        ".blf", lambda: blf(packed(b"\0" * 1_000_000_000)), "unpacks to more"
    ),
    "an object of no size": (
        ".blf", lambda: blf(packed(blf_object(1, b"\0" * 40, 0) * 9)), "claims"
    ),
    "a block of no size": (".blf", lambda: blf(blf_object(10, b"", 0)), "claims"),
    "an object of four gigabytes": (".blf", lambda: blf(blf_object(1, b"", 2**32 - 1)), "claims"),
    "no log": (".blf", lambda: b"x" * 1000, "begin as a BLF"),
    "a million identifiers": (
        ".log", lambda: b"".join(b"(1.0) can0 %08X#00\n" % k for k in range(200_000)), "no replies"
    ),
    "a thousand channels": (
        ".log",
        lambda: b"".join(b"(1.0) can%d 7E8#04410C1AF8\n" % k for k in range(1000)),
        "64 channels",
    ),
    "no times": (".log", lambda: b"(nan) can0 7E8#04410C1AF8\n(inf) can0 7E8#04410C1AF8\n"
                         b"(1e300) can0 7E8#04410C1AF8\n", "no replies"),
    "a session of nothing but prompts": (
        ".txt", lambda: b">0100\n" + b">" * 3_000_000, "no replies"
    ),
    "a session of blanks": (
        ".txt", lambda: b">01" + b" " * 60_000 + b"z\n>0100\n", "no replies"
    ),
    "a reply with a thousand PIDs": (
        ".log", lambda: b"(1.0) can0 7E8#1FFF410607080906\n"
        + b"".join(b"(1.0) can0 7E8#2%X06070809060708\n" % (k % 16) for k in range(1, 586)),
        "no replies",
    ),
    "a line of 50 MB": (".log", lambda: b"(1.0) can0 7E8#" + b"0" * 50_000_000, "line is longer"),
}  # fmt: skip


def test_a_packed_table_is_the_plain_one(tmp_path: Path):
    """In a folder it was passed over, and nothing said so."""
    plain = tmp_path / "log.csv"
    plain.write_text(HEAD + ROWS)
    packed = tmp_path / "packed" / "log.CSV.gz"
    packed.parent.mkdir()
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    (tmp_path / "packed" / "else.tar.gz").write_bytes(gzip.compress(b"no table"))
    assert files_in([packed.parent]) == [packed]
    (one,), (other,) = read_file(plain).drives, read_file(packed).drives
    assert [t.signal for t in one.traces] == [t.signal for t in other.traces] == ["ECT", "RPM"]
    for a, b in zip(one.traces, other.traces, strict=True):
        np.testing.assert_array_equal(a.value, b.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (gzip.compress(HEAD.encode() + ROWS.encode())[:-9], "damaged or cut short"),
        (b"\x1f\x8b" + bytes(50), "damaged or cut short"),
        (gzip.compress(bytes(1000)), "not a text file"),
    ],
    ids=["cut short", "damaged", "no text"],
)
def test_a_hostile_packed_table(tmp_path: Path, data: bytes, said: str):
    path = tmp_path / "log.csv.gz"
    path.write_bytes(data)
    with pytest.raises(ImportFileError, match=said):
        read_file(path)


def test_a_packed_table_is_no_larger_than_a_plain_one_may_be(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(limits, "TEXT_BYTES", 200)
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(HEAD.encode() + b"1,2,3\n" * 100))
    with pytest.raises(ImportFileError, match="unpacked it is longer"):
        read_file(path)


@pytest.mark.parametrize("what", CAN_LOGS)
def test_a_hostile_can_log(tmp_path: Path, what: str):
    pytest.importorskip("can")
    suffix, data, answer = CAN_LOGS[what]
    path = tmp_path / f"bus{suffix}"
    path.write_bytes(data())
    setup = "from logbench.importing.run import read_file\nimport can"
    cost = cost_of("read_file(path).report.samples", path, setup, seconds=6.0, megabytes=200)
    assert answer in cost.answer


# --- what is counted, what a unit may be ---


def test_reasons_are_counted_without_end_but_kept_with_one():
    report = Report()
    for k in range(3 * limits.REASONS):
        report.leave_out(k, f"column {k}", "x", f"reason {k}")
    assert report.left_out == 3 * limits.REASONS
    assert len(report.counts) <= limits.REASONS + 1
    assert len(report.unread) <= limits.REASONS + 300


@pytest.mark.parametrize(
    "text", ["(9**9**9**9)", "(a ** 9 ** 9)", "(9", "(nonsense_unit)", "(m" + "*m" * 5000 + ")",
             "delta_nonsense", "(m ** 1e9)", "(__import__('os'))", "(" + "a" * 150 + "!"],
)  # fmt: skip
def test_what_is_no_unit_is_none(text: str):
    assert known(text) is None


def test_units_that_are_made_are_known():
    made = joined("kPa", "*", joined("rpm", "**", "0.5"))
    assert known(made) == made
    assert known(joined(made, "/", "s")) is not None
    assert known("delta_degF") == "delta_degF"
