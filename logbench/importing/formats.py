"""The formats that can be imported. To add one: its module, and a row in `FORMATS`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logbench.importing.can_log import import_can_log
from logbench.importing.detect import detect_mapping
from logbench.importing.model import Imported, Mapping
from logbench.importing.parquet_table import is_recording, load_parquet
from logbench.importing.sheet import (
    DELIMITERS,
    Dialect,
    Sheet,
    read_sheet,
    read_text,
    sniff,
)

LoadSheet = Callable[[Path, Mapping | None, str | None], tuple[Sheet, Mapping]]
"""From a file, a mapping (None: to be detected) and the user's delimiter (None: to be detected) to
the file's cells and the mapping that they are read by. Raises `ImportFileError`."""


@dataclass(frozen=True, slots=True)
class Format:
    """One kind of file; it has either `sheet` or `drives`."""

    suffixes: tuple[str, ...]
    """Endings of its files' names, in lower case with the dot."""
    sheet: LoadSheet | None = None
    """For files of columns, which a mapping explains."""
    drives: Callable[[Path], Imported] | None = None
    """For files that say themselves what they hold. Raises `ImportFileError`."""
    recording: Callable[[Path], bool | None] = lambda _path: False
    """Whether such a file is a recording of this program; None where it cannot be read."""


def load_csv(path: Path, mapping: Mapping | None, delimiter: str | None) -> tuple[Sheet, Mapping]:
    """The cells of a text file, and the mapping given or detected (with `delimiter`, if the user
    names it).

    Raises `ImportFileError`.
    """
    text, encoding = read_text(path, mapping.encoding if mapping else None)
    if mapping is None:
        dialect = sniff(text, encoding, (delimiter,) if delimiter else DELIMITERS)
        sheet = read_sheet(text, dialect)
        return sheet, detect_mapping(sheet, dialect)
    dialect = Dialect(encoding, mapping.delimiter, mapping.header_row, mapping.units_row)
    return read_sheet(text, dialect), mapping


_TEXT = Format((".csv", ".txt", ".tsv", ".tab"), sheet=load_csv)

FORMATS: list[Format] = [
    _TEXT,
    Format((".parquet",), sheet=load_parquet, recording=is_recording),
    Format((".asc", ".blf", ".log", ".candump", ".trc"), drives=import_can_log),
]


def known_format(path: Path) -> Format | None:
    """The format of a file by the ending of its name; None: of no kind that is imported unasked."""
    suffix = path.suffix.lower()
    return next((f for f in FORMATS if suffix in f.suffixes), None)


def format_of(path: Path) -> Format:
    """The same for a file that the user has named: one of no known ending is taken for text."""
    return known_format(path) or _TEXT


def suffixes() -> list[str]:
    """The endings of all formats."""
    return [suffix for kind in FORMATS for suffix in kind.suffixes]
