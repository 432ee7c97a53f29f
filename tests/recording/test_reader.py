"""Reading: lazily, and every bad file ends in one clear sentence."""

from __future__ import annotations

import hashlib
import json
import math
import struct
import subprocess
import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.errors import (
    LogbenchError,
    NotARecordingError,
    RecordingDamagedError,
    RecordingError,
    RecordingMissingError,
    RecordingTooNewError,
    SignalUnsupportedError,
)
from logbench.recording import reader
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from logbench.recording.writing import PARQUET_SCHEMA


@pytest.fixture
def file(tmp_path, traces, facts):
    return write_recording(tmp_path / "drive.parquet", traces, facts)


def test_traces(file, traces):
    recording = open_recording(file)
    assert recording.signals == ("ECT", "RPM", "VSS")
    assert recording.keys == (("ECT", "7E8"), ("RPM", "7E8"), ("VSS", "7E8"), ("VSS", "7E9"))
    assert recording.duration_ns == max(trace.t_ns[-1] for trace in traces)
    assert recording.trace("VSS").ecu == "7E8"
    for trace in traces:
        again = recording.trace(trace.signal, trace.ecu)
        np.testing.assert_array_equal(again.t_ns, trace.t_ns)
        np.testing.assert_array_equal(again.value, trace.value)
        assert again.unit == trace.unit
        assert (again.t_ns.dtype, again.value.dtype) == (np.int64, np.float64)
    assert "RPM" in recording
    assert "MAF" not in recording


def test_a_trace_reads_its_row_group_only(file, monkeypatch):
    read = []
    original = pq.ParquetFile.read_row_groups

    def noted(self, groups, **options):
        read.extend(groups)
        return original(self, groups, **options)

    monkeypatch.setattr(reader.pq.ParquetFile, "read_row_groups", noted)
    recording = open_recording(file)
    assert set(read) <= {2}  # VSS, whose two ECUs the statistics do not name
    read.clear()
    recording.trace("RPM")
    recording.trace("RPM")
    assert read == [1]


def test_signal_it_does_not_hold(file):
    recording = open_recording(file)
    with pytest.raises(SignalUnsupportedError, match="does not hold MAF: it holds ECT, RPM, VSS"):
        recording.trace("MAF")
    with pytest.raises(SignalUnsupportedError, match="no RPM of ECU 7E9: only of 7E8"):
        recording.trace("RPM", "7E9")
    with pytest.raises(SignalUnsupportedError):
        recording.frame(["RPM", "MAF"])


def test_frame_is_what_pandas_reads(file):
    """Outside check: pandas' own reading of the same file."""
    frame = open_recording(file).frame()
    plain = pd.read_parquet(file).sort_values(["signal", "ecu", "t"], ignore_index=True)
    assert frame["signal"].astype(str).tolist() == plain["signal"].astype(str).tolist()
    assert frame["ecu"].astype(str).tolist() == plain["ecu"].astype(str).tolist()
    np.testing.assert_array_equal(frame["t_s"], plain["t"] / 1e9)
    np.testing.assert_array_equal(frame["value"], plain["value"])
    assert frame.loc[frame["signal"] == "ECT", "unit"].unique().tolist() == ["degC"]


def test_checksum_by_its_description(file, traces):
    """Computed here from the words of `recording.model.hash_samples` alone."""
    digest = hashlib.sha256()
    for trace in sorted(traces, key=lambda trace: (trace.signal, trace.ecu)):
        digest.update(trace.signal.encode() + b"\0" + trace.ecu.encode() + b"\0")
        digest.update(struct.pack("<Q", len(trace)))
        digest.update(struct.pack(f"<{len(trace)}q", *trace.t_ns.tolist()))
        for value in trace.value.tolist():
            digest.update(struct.pack("<d", float("nan") if math.isnan(value) else value))
    assert open_recording(file).facts.samples_sha256 == digest.hexdigest()


def test_verify(file, tmp_path):
    assert open_recording(file).intact() is True
    table = pq.read_table(file)
    value = table["value"].to_numpy().copy()
    value[3] += 0.25
    changed = table.set_column(3, "value", pa.array(value))
    pq.write_table(changed, tmp_path / "changed.parquet")
    assert open_recording(tmp_path / "changed.parquet").intact() is False
    pq.write_table(table.take(np.arange(len(table) - 1)), tmp_path / "short.parquet")
    assert open_recording(tmp_path / "short.parquet").intact() is False
    without = table.replace_schema_metadata({FACTS_KEY: Facts().model_dump_json()})
    pq.write_table(without, tmp_path / "without.parquet")
    assert open_recording(tmp_path / "without.parquet").intact() is None


def test_rewritten_by_another_program(file, tmp_path, traces):
    """One big row group, time order, other encodings: still the same samples."""
    table = pq.read_table(file).sort_by("t")
    pq.write_table(table, tmp_path / "other.parquet", row_group_size=200)
    recording = open_recording(tmp_path / "other.parquet")
    for trace in traces:
        np.testing.assert_array_equal(recording.trace(trace.signal, trace.ecu).t_ns, trace.t_ns)
    assert recording.intact()


# --- bad files ---


def test_missing(tmp_path):
    with pytest.raises(RecordingMissingError, match="There is no file"):
        open_recording(tmp_path / "gone.parquet")


@pytest.mark.parametrize(
    ("name", "content"),
    [("empty", b""), ("text.csv", b"t,rpm\n0,800\n"), ("binary", bytes(range(256)))],
)
def test_no_parquet(tmp_path, name, content):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(NotARecordingError, match="is not a recording"):
        open_recording(tmp_path / name)


def test_folder_and_journal(tmp_path):
    with pytest.raises(NotARecordingError, match="is a folder"):
        open_recording(tmp_path)
    (tmp_path / "a.parquet.journal").write_bytes(b"x")
    with pytest.raises(NotARecordingError, match="logbench recover"):
        open_recording(tmp_path / "a.parquet.journal")


def test_foreign_parquet(tmp_path):
    pq.write_table(pa.table({"a": [1, 2]}), tmp_path / "foreign.parquet")
    with pytest.raises(NotARecordingError, match="a Parquet file, but no recording"):
        open_recording(tmp_path / "foreign.parquet")


def test_truncated_anywhere(file):
    whole = file.read_bytes()
    for length in range(4, len(whole), 97):
        file.write_bytes(whole[:length])
        with pytest.raises(RecordingDamagedError, match="cut short or damaged"):
            open_recording(file)


def _with_facts(path, document: bytes):
    schema = PARQUET_SCHEMA.with_metadata({FACTS_KEY: document})
    pq.write_table(schema.empty_table(), path)
    return path


def test_newer_major_version(tmp_path):
    path = _with_facts(tmp_path / "new.parquet", b'{"schema_version": "2.0", "vehicle": 7}')
    with pytest.raises(RecordingTooNewError, match=r"newer version.*format 2\.0.*update"):
        open_recording(path)


def test_newer_minor_version_opens(tmp_path):
    path = _with_facts(tmp_path / "new.parquet", b'{"schema_version": "1.9", "mood": "good"}')
    assert open_recording(path).facts.model_dump()["mood"] == "good"


@pytest.mark.parametrize(
    "document",
    [
        b"",
        b"not json",
        b"\xff\xfe\x00",
        b"[]",
        b"7",
        b"null",
        b"{}",
        b'{"schema_version": null}',
        b'{"schema_version": "x.y"}',
        b'{"schema_version": "1.0", "vehicle": []}',
        b'{"schema_version": "1.0", "events": [{"t_ns": "soon"}]}',
        b'{"schema_version": "1.0", "vehicle": {"displacement_l": 1e999}}',
        b"[" * 100_000,
    ],
)
def test_hostile_facts(tmp_path, document):
    with pytest.raises(RecordingDamagedError, match="facts stored in"):
        open_recording(_with_facts(tmp_path / "hostile.parquet", document))


@pytest.mark.parametrize(
    "columns",
    [
        {"signal": [1], "ecu": ["7E8"], "t": [1], "value": [1.0]},
        {"signal": ["RPM"], "ecu": [None], "t": [1], "value": [1.0]},
        {"signal": ["RPM"], "ecu": ["7E8"], "t": ["soon"], "value": [1.0]},
        {"signal": ["RPM"], "ecu": ["7E8"], "t": [1], "value": ["much"]},
        {"signal": [["RPM"]], "ecu": ["7E8"], "t": [1], "value": [1.0]},
        {"signal": [None], "ecu": ["7E8"], "t": [None], "value": [None]},
        {"signal": ["RPM"], "ecu": ["7E8"], "value": [1.0]},
    ],
)
def test_hostile_columns(tmp_path, columns):
    """Odd types either read as something sound or end in a sentence; nothing else escapes."""
    table = pa.table(columns).replace_schema_metadata({FACTS_KEY: Facts().model_dump_json()})
    pq.write_table(table, tmp_path / "hostile.parquet")
    try:
        recording = open_recording(tmp_path / "hostile.parquet")
        for trace in recording.traces():
            assert trace.t_ns.dtype == np.int64
            assert trace.value.dtype == np.float64
    except LogbenchError:
        return


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_spoiled_bytes(tmp_path_factory, data):
    """Bytes changed anywhere: the file opens or the error is one of ours."""
    folder = tmp_path_factory.mktemp("spoiled")
    trace = Trace("RPM", "7E8", "rpm", np.arange(50, dtype=np.int64), np.arange(50.0))
    file = write_recording(folder / "a.parquet", [trace], Facts())
    content = bytearray(file.read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        where = data.draw(st.integers(0, len(content) - 1))
        content[where] ^= data.draw(st.integers(1, 255))
    file.write_bytes(content)
    try:
        recording = open_recording(file)
        recording.traces()
        recording.intact()
    except (RecordingError, SignalUnsupportedError):
        return


def test_footer_without_its_data(file):
    """The footer is whole and promises row groups that are not there."""
    whole = file.read_bytes()
    length = int.from_bytes(whole[-8:-4], "little")
    file.write_bytes(b"PAR1" + whole[-8 - length :])
    with pytest.raises(RecordingDamagedError):
        open_recording(file).traces()


def test_facts_document_is_json(file):
    document = json.loads(pq.read_metadata(file).metadata[FACTS_KEY])
    assert document["schema_version"] == "1.0"


def test_no_byte_of_the_footer_ends_the_process(tmp_path):
    """pyarrow aborts at some spoiled descriptions of columns; 43 of these files did it before."""
    trace = Trace("RPM", "7E8", "rpm", np.arange(50, dtype=np.int64), np.arange(50.0))
    file = write_recording(tmp_path / "a.parquet", [trace], Facts())
    code = (
        "import pathlib, sys\n"
        "from logbench.errors import RecordingError\n"
        "from logbench.recording.reader import open_recording\n"
        "file = pathlib.Path(sys.argv[1])\n"
        "whole = file.read_bytes()\n"
        "start = len(whole) - 8 - int.from_bytes(whole[-8:-4], 'little')\n"
        "for where in range(start, len(whole) - 8):\n"
        "    for change in (2, 4, 6, 8, 14):\n"
        "        spoiled = bytearray(whole)\n"
        "        spoiled[where] ^= change\n"
        "        file.write_bytes(spoiled)\n"
        "        try:\n"
        "            open_recording(file)\n"
        "        except RecordingError:\n"
        "            pass\n"
        "print('survived')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(file)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-500:]
    assert done.stdout == "survived\n"
