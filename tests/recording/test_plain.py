"""A plain export holds what was recorded for every reader, and is a recording itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from logbench.cli.main import main
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from tests.recording.elsewhere import READERS, wrong


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of traces with odd steps, a NaN and two ECUs, by the command line."""
    folder = tmp_path_factory.mktemp("plain")
    t_ns = np.cumsum(np.random.default_rng(1).integers(1, 10**9, 3000))
    value = np.where(np.arange(3000) % 500 == 7, np.nan, np.sin(np.arange(3000.0)))
    traces = [
        Trace(s, ecu, "", t_ns - 10**9, value) for s in ("RPM", "ECT") for ecu in ("7E8", "7E9")
    ]
    source = write_recording(folder / "a.parquet", traces, Facts())
    out = folder / "out.parquet"
    assert main(["export", str(source), "--plain", "--out", str(out)]) == 0
    return out


@pytest.mark.parametrize("reader", [name for name in READERS if name != "Spark"])
def test_other_readers_read_what_was_recorded(plain: Path, reader: str):
    assert wrong(reader, plain) == ""


def test_it_has_only_what_the_first_version_of_the_format_had(plain: Path):
    meta = pq.read_metadata(plain)
    chunks = [meta.row_group(0).column(k) for k in range(meta.num_columns)]
    assert {e for chunk in chunks for e in chunk.encodings} <= {"PLAIN", "RLE", "PLAIN_DICTIONARY"}
    assert {chunk.compression for chunk in chunks} == {"GZIP"}
    assert meta.format_version == "1.0"


def test_it_is_a_recording_of_the_same_samples(plain: Path):
    made, source = open_recording(plain), open_recording(plain.with_name("a.parquet"))
    assert made.intact() is True
    assert made.checksum() == source.checksum()
    assert made.facts.extra["cut_from"]["recording_id"] == source.facts.recording_id


def test_plain_goes_with_parquet_only(plain: Path, capsys):
    out = plain.with_name("out.csv")
    assert main(["export", str(plain), "--plain", "--out", str(out)]) == 3
    assert "--plain goes with Parquet" in capsys.readouterr().err
    assert not out.exists()
