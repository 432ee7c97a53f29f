"""The archive's index as Arrow tables: the columns of the views that SQL sees; those of the view
`recordings` are in `columns`."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from logbench.archive.store import STATE

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
        *STATE.items(),
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
    if not rows:
        return pa.Table.from_batches([], JOBS)
    import pyarrow.json as pajson

    lines = "\n".join(json.dumps(row) for row in rows).encode()
    return pajson.read_json(
        io.BytesIO(lines),
        pajson.ReadOptions(block_size=len(lines) + 1),
        pajson.ParseOptions(explicit_schema=JOBS, unexpected_field_behavior="error"),
    )
