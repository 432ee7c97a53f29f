"""The archive's index as Arrow tables: the columns of the views that SQL sees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from logbench.recording.columns import text_column

RECORDINGS = pa.schema(
    [
        ("recording", pa.string()),
        ("size_bytes", pa.int64()),
        ("mtime_ns", pa.int64()),
        ("recording_id", pa.string()),
        ("started_utc", pa.string()),
        ("duration_s", pa.float64()),
        ("samples", pa.int64()),
        ("car", pa.string()),
        ("vin", pa.string()),
        ("displacement_l", pa.float64()),
        ("cylinders", pa.int32()),
        ("turbo", pa.bool_()),
        ("fuel", pa.string()),
        ("simulated", pa.bool_()),
        ("note", pa.string()),
        ("events", pa.string()),
        ("recovered", pa.bool_()),
        ("software", pa.string()),
        ("samples_sha256", pa.string()),
    ]
)
"""One row a recording. `recording` is its path below the root, the key of all views; `car` the
label, or the VIN where there is none; `started_utc` is local time where an import knew no more."""

SIGNALS = pa.schema(
    [
        ("recording", pa.string()),
        ("signal", pa.string()),
        ("ecu", pa.string()),
        ("unit", pa.string()),
        ("samples", pa.int64()),
        ("first_s", pa.float64()),
        ("last_s", pa.float64()),
        ("minimum", pa.float64()),
        ("maximum", pa.float64()),
        ("row_group", pa.int32()),
    ]
)
"""One row a signal of a recording, from the file's own statistics."""

PROBLEMS = pa.schema(
    [
        ("path", pa.string()),
        ("kind", pa.string()),
        ("sentence", pa.string()),
        ("size_bytes", pa.int64()),
        ("mtime_ns", pa.int64()),
    ]
)

FINDINGS = pa.schema(
    [
        ("recording", pa.string()),
        ("size_bytes", pa.int64()),
        ("mtime_ns", pa.int64()),
        ("version", pa.string()),
        ("check", pa.string()),
        ("subject", pa.string()),
        ("verdict", pa.string()),
        ("value", pa.float64()),
        ("uncertainty", pa.float64()),
        ("unit", pa.string()),
        ("reason", pa.string()),
        ("band", pa.string()),
        ("causes", pa.list_(pa.string())),
        ("numbers", pa.string()),
        ("evidence_ns", pa.list_(pa.int64())),
        ("problem", pa.string()),
    ]
)
"""One row a finding. `version` is that of the checks; `numbers` is JSON; `evidence_ns` is start,
end, start, end, …; a recording that could not be checked has one row with `problem` and no check.
`size_bytes` and `mtime_ns` say which state of the file was checked."""

JOBS = pa.schema(
    [
        ("job", pa.string()),
        ("title", pa.string()),
        ("created_utc", pa.string()),
        ("car", pa.string()),
        ("vin", pa.string()),
        ("displacement_l", pa.float64()),
        ("concern", pa.string()),
        ("conclusion", pa.string()),
        ("notes", pa.string()),
        ("recordings", pa.int32()),
    ]
)
"""One row a folder with a `job.toml`; `job` is the folder's path below the root."""


def jobs_table(rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Rows of `JOBS`, without `pa.array` (it imports pandas: 0.3 s); a missing number is null."""
    columns = []
    for field in JOBS:
        values = [row[field.name] for row in rows]
        if field.type == pa.string():
            columns.append(text_column(values))
            continue
        numbers = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        known = np.isfinite(numbers)
        plain = np.where(known, numbers, 0).astype(field.type.to_pandas_dtype())
        bits = np.packbits(known, bitorder="little")
        buffers = [pa.py_buffer(bits.data), pa.py_buffer(plain.data)]
        columns.append(pa.Array.from_buffers(field.type, len(rows), buffers))
    return pa.Table.from_arrays(columns, schema=JOBS)
