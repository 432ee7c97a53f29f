"""Parquet files that claim more than they hold, or unpack to more than is read."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logbench.archive.reading import Footer, Problem, read_footer
from logbench.archive.store import LocalStore
from logbench.errors import LogbenchError, RecordingDamagedError
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import write_recording
from logbench.recording.footer import believe
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from tests.bounded import cost_of

OPEN = "from logbench.recording.reader import open_recording\nimport pyarrow.compute"
READ = "[len(trace) for trace in open_recording(path).traces()]"
PLAIN = {FACTS_KEY: Facts().model_dump_json()}
PARTS = [("signal", pa.string()), ("ecu", pa.string()), ("t", pa.int64()), ("value", pa.float64())]


def written(path: Path, batches: Iterator[pa.Table], **how: Any) -> Path:
    """Each batch as a row group; names stay in dictionaries, whatever they would unpack to."""
    first = next(batches)
    schema = first.schema
    with pq.ParquetWriter(path, schema, compression="zstd", store_schema=False, **how) as writer:
        for batch in itertools.chain([first], batches):
            writer.write_table(batch, row_group_size=len(batch))
        writer.add_key_value_metadata(PLAIN)
    return path


def rows(count: int, signal: str = "RPM", ecu: str = "7E8") -> pa.Table:
    t = np.zeros(count, np.int64)
    names = [pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), [text])
             for text in (signal, ecu)]  # fmt: skip
    return pa.table([*names, pa.array(t), pa.array(t.astype(float))], [name for name, _ in PARTS])


@pytest.mark.parametrize(
    "how",
    [{}, {"data_page_version": "2.0"}, {"compression": "snappy"}, {"compression": "none"},
     {"use_dictionary": False}, {"write_statistics": False}, {"write_page_index": True},
     {"data_page_size": 1000}, {"row_group_size": 100}, {"write_page_checksum": True},
     {"use_byte_stream_split": ["value"], "use_dictionary": ["signal"]},
     {"column_encoding": {"t": "DELTA_BINARY_PACKED"}, "use_dictionary": ["signal"]}],
    ids=str,
)  # fmt: skip
def test_what_is_read_is_what_pyarrow_reads(tmp_path: Path, how: dict[str, Any]):
    path = tmp_path / "a.parquet"
    rng = np.random.default_rng(3)
    table = pa.table({"signal": ["RPM", "ECT"] * 500, "x": rng.normal(size=1000),
                      "t": rng.integers(0, 9, 1000), "n": pa.array([None, 1.0] * 500)})  # fmt: skip
    if "column_encoding" in how or "use_byte_stream_split" in how:
        how = {k: ["signal"] if k == "use_dictionary" else v for k, v in how.items()}
        how["use_byte_stream_split"] = ["x"] if "use_byte_stream_split" in how else False
    pq.write_table(table, path, **how)
    believed, real = believe(path), pq.read_metadata(path)
    for group, chunks in enumerate(believed.chunks):
        for column, chunk in enumerate(chunks):
            there = real.row_group(group).column(column)
            places = [
                there.data_page_offset,
                there.dictionary_page_offset or there.data_page_offset,
            ]
            assert chunk.start == min(places)
            assert chunk.packed_bytes == there.total_compressed_size
            assert chunk.unpacked_bytes == there.total_uncompressed_size
            assert (chunk.values, chunk.rows) == (there.num_values, real.row_group(group).num_rows)
    believed.check_pages(range(real.num_row_groups), range(4))


def test_a_small_file_of_a_billion_rows_is_not_believed(tmp_path: Path):
    path = written(tmp_path / "big.parquet", (rows(12_000_000) for _ in range(10)))
    assert path.stat().st_size < 2_000_000
    cost = cost_of(READ, path, OPEN, seconds=1, megabytes=60)
    assert "claims 120,000,000 rows" in cost.answer
    store = LocalStore(tmp_path)
    found = read_footer(store, store.listing().recordings[0])
    assert isinstance(found, Problem)
    assert found.kind == "enormous"


def test_constant_values_of_a_real_drive_are_believed(tmp_path: Path):
    """Eight hours of thirty signals at 10 Hz that never change take next to nothing."""
    t = np.arange(8 * 36_000, dtype=np.int64) * 100_000_000
    traces = [Trace(f"S{k}", "7E8", "", t, np.full(len(t), 5.0)) for k in range(30)]
    path = write_recording(tmp_path / "still.parquet", traces, Facts())
    assert path.stat().st_size < 1_000_000
    assert len(open_recording(path).trace("S7")) == len(t)
    store = LocalStore(tmp_path)
    assert isinstance(read_footer(store, store.listing().recordings[0]), Footer)


def test_one_long_name_in_many_rows_is_not_unpacked(tmp_path: Path):
    """1 MB in the dictionary, ten million times in the column: 10 TB as plain texts."""
    table = rows(5_000_000, signal="R" * 1_000_000)
    path = written(tmp_path / "name.parquet", iter([table]), write_statistics=False)
    assert path.stat().st_size < 2_000_000
    cost = cost_of(READ, path, OPEN, seconds=5, megabytes=400)
    assert "RecordingDamagedError" in cost.answer


def test_many_names_are_not_taken_for_traces(tmp_path: Path):
    count = 200_000
    names = pa.array([f"S{k}" for k in range(count)])
    t = pa.array(np.arange(count))
    table = pa.table([names, names, t, t.cast(pa.float64())], [name for name, _ in PARTS])
    path = written(tmp_path / "names.parquet", iter([table]))
    cost = cost_of(READ, path, OPEN, seconds=3, megabytes=300)
    assert "200,000 traces" in cost.answer


def varint(number: int) -> bytes:
    out = b""
    while number > 127:
        out += bytes([number & 127 | 128])
        number >>= 7
    return out + bytes([number])


def test_a_page_that_unpacks_to_gigabytes_is_refused(tmp_path: Path):
    """120 MB of zeros in a few kB, honest in all it says (the limit is lowered for the test)."""
    count = 15_000_000
    table = rows(count)
    path = written(tmp_path / "page.parquet", iter([table]), use_dictionary=["signal", "ecu"],
                   data_page_size=2_000_000_000, max_rows_per_page=count + 1,
                   write_batch_size=count)  # fmt: skip
    cost = cost_of(
        READ, path, OPEN + "\nfrom logbench.system import limits\nlimits.PAGE_BYTES = 50_000_000",
        seconds=1, megabytes=60,
    )  # fmt: skip
    assert "a page claims 1" in cost.answer


def test_the_file_of_the_issue(tmp_path: Path):
    """Whatever its rows and groups say, a footer is held against the file before it is obeyed."""
    path = written(tmp_path / "a.parquet", iter([rows(1000)]))
    data = path.read_bytes()
    length = struct.unpack("<L", data[-8:-4])[0]
    footer = data[-8 - length : -8]
    groups = footer.index(varint(2 * 1000))
    lied = footer[:groups] + varint(2 * 10**9) + footer[groups + len(varint(2000)) :]
    path.write_bytes(data[: -8 - length] + lied + struct.pack("<L", len(lied)) + b"PAR1")
    with pytest.raises(RecordingDamagedError, match="claims 1,000,000,000 rows"):
        open_recording(path)


def test_a_last_time_that_is_not_there_is_found_out(tmp_path: Path):
    t = np.arange(0, 10**9, 10**7, dtype=np.int64)
    path = write_recording(
        tmp_path / "a.parquet", [Trace("RPM", "7E8", "rpm", t, t + 0.5)], Facts()
    )
    data = path.read_bytes()
    length = struct.unpack("<L", data[-8:-4])[0]
    last, footer_at = struct.pack("<q", int(t[-1])), len(data) - 8 - length
    assert last in data[footer_at:]
    lied = data[footer_at:].replace(last, struct.pack("<q", 10**17))
    path.write_bytes(data[:footer_at] + lied)
    recording = open_recording(path)
    assert recording.duration_ns == 10**17
    with pytest.raises(RecordingDamagedError, match="not those it claims"):
        recording.trace("RPM")


@pytest.mark.parametrize("seed", range(4))
def test_no_spoiled_footer_raises_anything_else(tmp_path: Path, seed: int):
    path = written(tmp_path / "a.parquet", iter([rows(100)]))
    data = path.read_bytes()
    length = struct.unpack("<L", data[-8:-4])[0]
    rng = np.random.default_rng(seed)
    spoiled = tmp_path / "spoiled.parquet"
    for _ in range(300):
        copy = bytearray(data)
        for _ in range(int(rng.integers(1, 4))):
            copy[len(data) - 8 - int(rng.integers(1, length))] = int(rng.integers(256))
        spoiled.write_bytes(copy)
        with contextlib.suppress(ValueError):
            believed = believe(spoiled)
            believed.check_pages(range(len(believed.chunks)), [0] if believed.chunks else [])


def footer(count: int, element: bytes) -> bytes:
    """A file that is nothing but a footer with so many row groups."""
    data = b"\x36" + varint(0) + b"\x19\xfc" + varint(count) + element * count + b"\0"
    return b"PAR1" + data + struct.pack("<L", len(data)) + b"PAR1"


@pytest.mark.parametrize(
    ("data", "answer"),
    [
        (footer(30_000_000, b"\0"), "30,000,000 row groups"),
        (footer(1, b"\x19\xfc" + varint(20_000_000) + b"\0" * 20_000_000), "20,000,000 columns"),
        (footer(1, b"\x1c" * 1_000_000), "nested too deeply|no end"),
        (footer(1, b"\x16" + b"\xff" * 1_000_000), "number without an end"),
        (
            b"PAR1" + b"\0" * 40_000_000 + struct.pack("<L", 40_000_000) + b"PAR1",
            "footer has 40 MB",
        ),
    ],
    ids=["row groups", "columns", "nested", "number", "long"],
)
def test_hostile_footers(tmp_path: Path, data: bytes, answer: str):
    path = tmp_path / "a.parquet"
    path.write_bytes(data)
    assert re.search(answer, cost_of("open_recording(path)", path, OPEN, seconds=1,
                                     megabytes=150).answer)  # fmt: skip


@pytest.mark.parametrize("size", [0, 4, 8, 11, 12, 100])
def test_short_files(tmp_path: Path, size: int):
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1" + b"\xff" * max(0, size - 8) + b"PAR1"[: max(0, size - 4)])
    with pytest.raises(LogbenchError):
        open_recording(path)


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
def test_a_pipe_named_as_a_recording_is_not_waited_for(tmp_path: Path):
    os.mkfifo(tmp_path / "a.parquet")
    cost = cost_of("open_recording(path)", tmp_path / "a.parquet", OPEN, seconds=2, megabytes=50)
    assert "ordinary file" in cost.answer
