"""A table of what is known of files, kept as parts in a folder of the cache: each time a few rows
more, many parts joined."""

from __future__ import annotations

import logging
import uuid
from pathlib import Path

import pyarrow as pa

from logbench.archive.tables import read_table, write_table
from logbench.system.private import make_folder

log = logging.getLogger(__name__)

_PARTS_AT_MOST = 40


def load_parts(folder: Path, schema: pa.Schema) -> pa.Table:
    """All rows; a part that cannot be used is left out."""
    found = []
    for path in sorted(folder.glob("*.parquet")):
        try:
            found.append(read_table(path).cast(schema))
        except (pa.ArrowException, OSError, ValueError) as error:
            log.warning("%s cannot be used and is left out: %s", path, error)
    return pa.concat_tables(found) if found else pa.Table.from_batches([], schema)


def add_part(folder: Path, table: pa.Table, rows_a_group: int | None = None) -> None:
    """Some rows more; so many are read at a time (None: all). Raises `OSError`."""
    make_folder(folder)
    parts = sorted(folder.glob("*.parquet"))
    write_table(table, folder / f"{uuid.uuid4().hex}.parquet", rows_a_group)
    if len(parts) >= _PARTS_AT_MOST:
        joined = load_parts(folder, table.schema)
        old = sorted(folder.glob("*.parquet"))
        write_table(joined, folder / f"{uuid.uuid4().hex}.parquet", rows_a_group)
        for path in old:
            path.unlink(missing_ok=True)
