"""Files read as a user's are, without what an earlier run may have remembered."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from logbench.importing.model import ColumnMap, Imported, Mapping
from logbench.importing.run import preview, read_file


def read(path: Path, mapping: Mapping | None = None) -> Imported:
    """All drives of a file, as detected or by a mapping."""
    return read_file(path, mapping, path.parent / "nothing remembered")


def detected(path: Path) -> Mapping:
    """The mapping that is proposed for a file."""
    mapping = preview(path, path.parent / "nothing remembered").mapping
    assert mapping is not None
    return mapping


def read_whole(path: Path) -> Imported:
    """All drives of a file, with what cannot be a reading."""
    mapping = detected(path)
    mapping.keep_out_of_range = True
    return read(path, mapping)


def frame_file(frame: pd.DataFrame, folder: Path) -> Path:
    """A table as a Parquet file."""
    path = folder / "table.parquet"
    frame.to_parquet(path)
    return path


def read_frame(frame: pd.DataFrame, folder: Path) -> Imported:
    """All drives of a table, by way of a Parquet file."""
    return read(frame_file(frame, folder))


def column_of(mapping: Mapping, name: str) -> ColumnMap:
    """The column of that header text."""
    return next(column for column in mapping.columns if column.column == name)
