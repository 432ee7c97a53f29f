"""CSV from anywhere: detect, preview, read."""

from __future__ import annotations

from pathlib import Path

from logbench.importing.build import build
from logbench.importing.detect import detect_mapping
from logbench.importing.model import Imported, Mapping
from logbench.importing.sheet import (
    DELIMITERS,
    Dialect,
    Sheet,
    read_sheet,
    read_text,
    sniff,
)


def detect_csv(path: Path) -> Mapping:
    """How a text file is probably to be read. Raises `ImportFileError`."""
    text, encoding = read_text(path)
    dialect = sniff(text, encoding)
    return detect_mapping(read_sheet(text, dialect), dialect)


def load_csv(
    path: Path, mapping: Mapping | None = None, delimiter: str | None = None
) -> tuple[Sheet, Mapping]:
    """The file's cells, and the mapping given or detected (with `delimiter`, if the user names it).

    Raises `ImportFileError`.
    """
    text, encoding = read_text(path, mapping.encoding if mapping else None)
    if mapping is None:
        dialect = sniff(text, encoding, (delimiter,) if delimiter else DELIMITERS)
        sheet = read_sheet(text, dialect)
        return sheet, detect_mapping(sheet, dialect)
    dialect = Dialect(encoding, mapping.delimiter, mapping.header_row, mapping.units_row)
    return read_sheet(text, dialect), mapping


def import_csv(path: Path, mapping: Mapping | None = None) -> Imported:
    """All drives of a text file, by `mapping` or by what is detected.

    Raises `ImportFileError` when nothing can be imported.
    """
    sheet, used = load_csv(path, mapping)
    return build(sheet, used, path.name)
