"""Files of the archive's cache: read whole, written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.recording.storage import replacing
from logbench.system.private import owner_only


def read_table(path: Path) -> pa.Table:
    """Read a Parquet file of ours (without `pq.read_table`, whose imports take 0.1 s). Raises
    `OSError`, `ArrowException`, `ValueError`."""
    with pq.ParquetFile(path, memory_map=False) as file:
        return file.read(use_threads=False)


def write_table(table: pa.Table, path: Path, rows_a_group: int | None = None) -> None:
    """Write a Parquet file of ours in one step (never half of one). Raises `OSError`."""
    with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
        pq.write_table(table, file, compression="zstd", row_group_size=rows_a_group)


def write_file(data: bytes, path: Path) -> None:
    """The same of plain bytes."""
    with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
        file.write(data)
