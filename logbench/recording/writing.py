"""The finished Parquet file: written under a temporary name and read back from the disk."""

from __future__ import annotations

import base64
import hashlib
import logging
import os
import uuid
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import RecordingError, StorageError
from logbench.recording.columns import FACTS_KEY, dictionary_column, number_column
from logbench.recording.exchanges import Block, write_within
from logbench.recording.model import (
    CLOCK_KEY,
    Facts,
    SignalFacts,
    Trace,
    facts_document,
    hash_samples,
)
from logbench.recording.reader import open_recording
from logbench.system.platforms import forget_cached
from logbench.system.private import owner_only

log = logging.getLogger(__name__)

PARQUET_SCHEMA = pa.schema(
    [
        ("signal", pa.dictionary(pa.int32(), pa.string())),
        ("ecu", pa.dictionary(pa.int32(), pa.string())),
        ("t", pa.int64()),
        ("value", pa.float64()),
    ]
)


def write_proven(
    part: Path,
    signals: Iterable[list[Trace]],
    facts: Facts,
    exchanges: Iterable[Block] = (),
    accepted: int | None = None,
    kept: str = "",
    *,
    plain: bool = False,
) -> None:
    """Write a file and read it back from the disk; `StorageError` where it is not the same.

    `signals`: the traces of one signal at a time, sorted by signal and ECU, each in order of time.
    `accepted`: exchanges that there had been. `plain`: for readers that know few
    encodings.
    """
    rows, complete = _write_parquet(part, signals, facts, exchanges, accepted, plain)
    pa.default_memory_pool().release_unused()
    forget_cached(part)
    found_rows, found_sha, found = 0, "", Facts()
    try:
        recording = open_recording(part)
        found = recording.facts
        found_rows, found_sha = recording.checksum()
        recording.check_exchanges()
    except RecordingError as error:
        log.warning("%s", error)
    if (found_rows, found_sha) != (rows, complete.samples_sha256) or found != complete:
        raise StorageError(
            f"The finished recording is not what was written: {rows:,} samples were, and "
            f"{found_rows:,} are read back. Check the disk or choose another folder{kept}."
        )


def _write_parquet(
    path: Path,
    signals: Iterable[list[Trace]],
    facts: Facts,
    exchanges: Iterable[Block],
    accepted: int | None,
    plain: bool,
) -> tuple[int, Facts]:
    """Write and fsync the whole file; returns its samples and the facts that stand in it. `OSError`
    from the disk goes to the caller."""
    digest = hashlib.sha256()
    units: dict[str, str] = {}
    ecus: dict[str, str] = {}
    rows = 0
    with open(path, "xb", opener=owner_only) as file:
        sink = pa.PythonFile(file, "w")
        with _parquet_writer(sink, plain) as writer:
            for traces in signals:
                for trace in traces:
                    hash_samples(digest, trace)
                    units[trace.signal] = trace.unit or units.get(trace.signal, "")
                    ecus[trace.ecu] = ""
                table = _table(traces)
                rows += table.num_rows
                if table.num_rows:
                    writer.write_table(table, row_group_size=table.num_rows)
            kept = facts.model_copy(update={"exchanges": write_within(sink, exchanges, accepted)})
            document = facts_document(_completed(kept, units, ecus, digest.hexdigest()))
            writer.add_key_value_metadata(_metadata(document))
        file.flush()
        os.fsync(file.fileno())
    return rows, Facts.model_validate_json(document)


_OURS = {
    "compression": "zstd",
    "compression_level": 6,  # 2.5 % smaller than the default and no slower to speak of
    "column_encoding": {"t": "DELTA_BINARY_PACKED", "value": "BYTE_STREAM_SPLIT"},
    "write_page_index": True,
}
_PLAIN = {"compression": "gzip", "version": "1.0", "data_page_version": "1.0"}
"""Only what the first version of the format had: every reader knows it. One that is widely used
refuses the one encoding of ours, and reads wrong times out of the other (recording-format.md)."""


def _parquet_writer(sink: pa.NativeFile, plain: bool) -> pq.ParquetWriter:
    return pq.ParquetWriter(
        sink,
        PARQUET_SCHEMA,
        store_schema=False,  # `_metadata` does, once the facts are complete
        use_dictionary=["signal", "ecu"],
        write_statistics=True,
        sorting_columns=[pq.SortingColumn(0), pq.SortingColumn(2)],
        **(_PLAIN if plain else _OURS),
    )


def _metadata(document: bytes) -> dict[str, str]:
    """The facts as the file's metadata, and within Arrow's schema, where they survive being read
    and written again by Arrow (its format: Parquet C++, key `ARROW:schema`)."""
    schema = PARQUET_SCHEMA.with_metadata({FACTS_KEY: document}).serialize()
    return {
        FACTS_KEY.decode(): document.decode(),
        "ARROW:schema": base64.b64encode(schema.to_pybytes()).decode(),
    }


def _completed(facts: Facts, units: dict[str, str], ecus: dict[str, str], sha256: str) -> Facts:
    """The facts with what they say of the samples: unit by signal, ECUs, checksum."""
    signals = dict(facts.signals)
    for signal, unit in units.items():
        known = signals.get(signal, SignalFacts())
        signals[signal] = known.model_copy(update={"unit": known.unit or unit})
    return facts.model_copy(
        update={
            "recording_id": facts.recording_id or uuid.uuid4().hex,
            "signals": signals,
            "ecus": ecus | facts.ecus,
            "events": sorted(facts.events, key=lambda event: event.t_ns),
            "samples_sha256": sha256,
            "extra": {key: kept for key, kept in facts.extra.items() if key != CLOCK_KEY},
        }
    )


def _table(traces: list[Trace]) -> pa.Table:
    """All traces of one signal as one table, in order of time."""
    ecus = [trace.ecu for trace in traces]
    number = np.repeat(np.arange(len(traces), dtype=np.int32), [len(trace) for trace in traces])
    t_ns: npt.NDArray[np.int64] = np.concatenate(
        [np.asarray(trace.t_ns, np.int64) for trace in traces]
    )
    value = np.concatenate([np.asarray(trace.value, np.float64) for trace in traces])
    if len(traces) > 1:
        order = np.argsort(t_ns, kind="stable")
        number, t_ns, value = number[order], t_ns[order], value[order]
    columns = [
        dictionary_column(np.zeros(len(t_ns), np.int32), [traces[0].signal]),
        dictionary_column(number, ecus),
        number_column(t_ns),
        number_column(value),
    ]
    return pa.Table.from_arrays(columns, schema=PARQUET_SCHEMA)
