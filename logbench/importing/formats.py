"""The formats that can be imported, and Parquet files that are not recordings, by way of pandas.

To add one: its module, and a row in `FORMATS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import ImportFileError
from logbench.importing.book import load_book
from logbench.importing.can_log import import_can_log
from logbench.importing.detect import detect_mapping
from logbench.importing.model import Imported, Mapping
from logbench.importing.session_text import import_session, is_session
from logbench.importing.sheet import (
    DELIMITERS,
    Column,
    Dialect,
    Sheet,
    read_sheet,
    read_text,
    sniff,
)
from logbench.recording.columns import FACTS_KEY
from logbench.recording.footer import believe
from logbench.system.limits import SHEET_CELLS, SHEET_COLUMNS, TABLE_CELLS
from logbench.system.progress import Told
from logbench.system.reading import check_plain

if TYPE_CHECKING:
    import pandas as pd


def sheet_of_frame(frame: pd.DataFrame) -> Sheet:
    """A pandas frame as a sheet; a named, time-like or fractional index becomes a column.

    Calendar times become seconds since 1970 (UTC where they have no zone, 0.2 µs fine), time
    spans become seconds.
    """
    import pandas as pd  # takes 0.4 s

    index = frame.index
    if index.name is not None or not pd.api.types.is_integer_dtype(index.dtype):
        name = str(index.name) if index.name is not None else "time"
        frame = frame.copy(deep=False)
        frame.insert(0, name, index.to_numpy() if index.dtype == object else index)
    columns = [_column(str(name), frame.iloc[:, k]) for k, name in enumerate(frame.columns)]
    return Sheet(columns, np.arange(1, len(frame) + 1, dtype=np.int64))


def _column(name: str, series: pd.Series) -> Column:
    import pandas as pd

    dtype = series.dtype
    if pd.api.types.is_timedelta64_dtype(dtype):
        return Column(f"{name} (s)", numbers=series.dt.total_seconds().to_numpy(np.float64))
    if pd.api.types.is_datetime64_any_dtype(dtype):
        zoned = series.dt.tz_convert("UTC").dt.tz_localize(None) if series.dt.tz else series
        nanoseconds = zoned.astype("datetime64[ns]").astype(np.int64).to_numpy()
        seconds = np.where(series.isna().to_numpy(), np.nan, nanoseconds / 1e9)
        return Column(name, numbers=seconds)
    if pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_complex_dtype(dtype):
        return Column(name, numbers=series.to_numpy(np.float64, na_value=np.nan))
    texts = series.astype(object).where(series.notna(), "")
    return Column(name, texts=np.array([str(text).strip() for text in texts], dtype=object))


def read_table(path: Path) -> pd.DataFrame:
    """A Parquet file as a frame. Raises `ImportFileError` where it is damaged or too large."""
    try:
        believed = believe(path)
        groups = believed.chunks
        believed.check_pages(range(len(groups)), range(len(groups[0]) if groups else 0))
        with pq.ParquetFile(path, memory_map=False) as file:
            texts = _check_columns(file.schema_arrow, file.metadata.num_rows)
        with pq.ParquetFile(path, memory_map=False, read_dictionary=texts) as file:
            frame: pd.DataFrame = file.read(use_threads=False).to_pandas()
            return frame
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        known = type(error) is ValueError or getattr(error, "strerror", None)
        why = f" ({getattr(error, 'strerror', None) or error})" if known else ""
        raise ImportFileError(
            f"{path} is not a table that can be read{why}: it is damaged or no Parquet file."
        ) from error


def _check_columns(schema: pa.Schema, rows: int) -> list[str]:
    """The columns of texts, which are read as numbers of different texts, for one long text may
    stand in many rows. Raises `ValueError` where a table is too large, or nested."""
    kinds = pa.types
    texts = [f.name for f in schema if kinds.is_string(f.type) or kinds.is_binary(f.type)]
    if len(schema) > SHEET_COLUMNS:
        raise ValueError(f"it has {len(schema):,} columns, and at most {SHEET_COLUMNS:,} are read")
    if len(schema) * rows > TABLE_CELLS or len(texts) * rows > SHEET_CELLS:
        raise ValueError(f"it has {rows:,} rows of {len(schema):,} columns: cut it")
    if nested := [field.name for field in schema if kinds.is_nested(field.type)]:
        raise ValueError(f"its column {nested[0][:80]!r} holds tables within cells")
    return texts


def is_recording(path: Path) -> bool | None:
    """Whether a Parquet file is a recording of this program; None where it cannot be read."""
    try:
        check_plain(path)
        return FACTS_KEY in (pq.read_metadata(path).metadata or {})
    except (pa.ArrowException, OSError, ValueError):
        return None


def load_parquet(
    path: Path, mapping: Mapping | None, _delimiter: str | None, _told: Told
) -> tuple[Sheet, Mapping]:
    """The table as a sheet, tidy (one row a sample) or wide (one column a signal), and the mapping
    given or detected. Raises `ImportFileError`."""
    if is_recording(path):
        raise ImportFileError(f"{path} is a recording already: open it, or add it as it is.")
    sheet = sheet_of_frame(read_table(path))
    if sheet.rows == 0:
        raise ImportFileError(f"{path} has no rows: there is nothing to import.")
    return sheet, mapping or detect_mapping(sheet)


LoadSheet = Callable[[Path, Mapping | None, str | None, Told], tuple[Sheet, Mapping]]
"""From a file, a mapping (None: to be detected), the user's delimiter (None: to be detected) and
who is told how far it is, to the file's cells and the mapping that they are read by. Raises
`ImportFileError`."""


@dataclass(frozen=True, slots=True)
class Format:
    """One kind of file; it has either `sheet` or `drives`."""

    suffixes: tuple[str, ...]
    """Endings of its files' names, in lower case with the dot."""
    sheet: LoadSheet | None = None
    """For files of columns, which a mapping explains."""
    drives: Callable[[Path, Told], Imported] | None = None
    """For files that say themselves what they hold. Raises `ImportFileError`."""
    recording: Callable[[Path], bool | None] = lambda _path: False
    """Whether such a file is a recording of this program; None where it cannot be read."""


def load_csv(
    path: Path, mapping: Mapping | None, delimiter: str | None, told: Told
) -> tuple[Sheet, Mapping]:
    """The cells of a text file, and the mapping given or detected (with `delimiter`, if the user
    names it).

    Raises `ImportFileError`.
    """
    text, encoding = read_text(path, mapping.encoding if mapping else None)
    if mapping is None:
        dialect = sniff(text, encoding, (delimiter,) if delimiter else DELIMITERS)
        sheet = read_sheet(text, dialect, told)
        return sheet, detect_mapping(sheet, dialect)
    dialect = Dialect(encoding, mapping.delimiter, mapping.header_row, mapping.units_row)
    return read_sheet(text, dialect, told), mapping


_TEXTS = (".csv", ".txt", ".tsv", ".tab")
_TEXT = Format((*_TEXTS, *(f"{ending}.gz" for ending in _TEXTS)), sheet=load_csv)

_SESSION = Format((), drives=import_session)

FORMATS: list[Format] = [
    _TEXT,
    Format((".xlsx", ".xlsm"), sheet=load_book),
    Format((".parquet",), sheet=load_parquet, recording=is_recording),
    Format((".asc", ".blf", ".log", ".candump", ".trc"), drives=import_can_log),
]


def known_format(path: Path) -> Format | None:
    """The format of a file by the ending of its name, or its text where that may be of two kinds;
    None: of no kind that is imported unasked."""
    name = path.name.lower()
    if name.endswith((".txt", ".log")) and is_session(path):
        return _SESSION
    return next((f for f in FORMATS if name.endswith(f.suffixes)), None)


def format_of(path: Path) -> Format:
    """The same for a file that the user has named: one of no known ending is taken for text."""
    return known_format(path) or _TEXT


def suffixes() -> list[str]:
    """The endings of all formats."""
    return [suffix for kind in FORMATS for suffix in kind.suffixes]
