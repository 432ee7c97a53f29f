"""CSV from anywhere."""

from __future__ import annotations

from pathlib import Path

from logbench.importing.detect import detect_mapping
from logbench.importing.model import Mapping
from logbench.importing.sheet import (
    DELIMITERS,
    Dialect,
    Sheet,
    read_sheet,
    read_text,
    sniff,
)


def load_csv(path: Path, mapping: Mapping | None, delimiter: str | None) -> tuple[Sheet, Mapping]:
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
