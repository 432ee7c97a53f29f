"""Spreadsheet workbooks (XLSX, Office Open XML: ECMA-376) as rows of cells, read piece by piece."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import IO, Any

from logbench.errors import ImportFileError
from logbench.importing.detect import detect_mapping
from logbench.importing.heading import Row, find_header, looks_named, trimmed
from logbench.importing.model import Mapping
from logbench.importing.sheet import Dialect, Sheet, dialect_of, sheet_of_rows
from logbench.system import limits
from logbench.system.progress import Told, counted, untold
from logbench.system.reading import open_plain

_PIECE = 1_000_000
_ERRORS = frozenset({"#N/A", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#NULL!"})
_LOOKED_AT = 100
_SOME_ROWS = 50_000
"""How many a large sheet has, about: a workbook does not say."""
_DAMAGE = (KeyError, TypeError, AttributeError, IndexError, SyntaxError, OverflowError, EOFError,
           AssertionError, RecursionError, zipfile.BadZipFile, zlib.error)  # fmt: skip
"""What the reader of workbooks raises for parts that are not as they should be."""


def load_book(
    path: Path, mapping: Mapping | None, _delimiter: str | None, told: Told = untold
) -> tuple[Sheet, Mapping]:
    """The sheets of a workbook with the header of the first that holds a table, one below the
    other, and the mapping given or detected. Raises `ImportFileError`."""
    try:
        with open_plain(path) as file:
            _check(file)
            rows, notes = _table(file, told)
    except ValueError as error:
        raise ImportFileError(f"{path} is not read, {error}: check the file.") from error
    except OSError as error:
        raise ImportFileError(f"{path} cannot be read ({error.strerror}): check it.") from error
    if not rows:
        raise ImportFileError(f"{path} holds no table: there is nothing to import.")
    dialect = dialect_of(rows, "utf-8", ",")
    if mapping is not None:
        dialect = Dialect("utf-8", ",", mapping.header_row, mapping.units_row)
    sheet = sheet_of_rows(rows, dialect)
    sheet.notes += notes
    return sheet, mapping or detect_mapping(sheet, dialect)


def _check(file: IO[bytes]) -> None:
    """Raises `ValueError` for what is not a workbook, unpacks to too much, or declares entities."""
    try:
        with zipfile.ZipFile(file) as book:
            if sum(part.file_size for part in book.infolist()) > limits.BOOK_BYTES:
                raise ValueError(f"it unpacks to more than {limits.BOOK_BYTES / 1e6:g} MB")
            for part in book.infolist():
                if part.filename.endswith((".xml", ".rels")):
                    _check_part(book, part)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError,
            KeyError) as error:  # fmt: skip
        raise ValueError("it is damaged or no XLSX workbook") from error
    except OverflowError as error:
        raise ValueError("it is damaged") from error
    file.seek(0)


def _check_part(book: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    """Every piece as it unpacks: no document type, in whose entities a bomb can be."""
    end = b""
    with book.open(part) as unpacked:
        while piece := unpacked.read(_PIECE):
            if b"<!DOCTYPE" in end + piece or b"\0" in piece:
                raise ValueError("a part of it is not a plain XML")
            end = piece[-16:]


def _table(file: IO[bytes], told: Told) -> tuple[list[Row], list[str]]:
    """Rows of all sheets with the header of the first table; what is not among them, as
    sentences. Raises `ValueError`."""
    import openpyxl  # takes 0.2 s

    rows: list[Row] = []
    header: list[str] = []
    notes = []
    try:
        book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
        for page in book.worksheets:
            page.reset_dimensions()
            found = list(counted(_rows(page, len(rows)), _SOME_ROWS, told, every=1000))
            own = _header(found)
            if own and (not header or own == header):
                header = own
                rows += found
            elif found:
                notes.append(f"The sheet '{page.title}' is not imported: it holds another table.")
    except ValueError as error:
        if type(error) is not ValueError or error.__cause__ or error.__context__:
            raise ValueError("it is damaged") from error
        raise
    except _DAMAGE as error:
        raise ValueError("it is damaged") from error
    return rows, notes


def _header(rows: list[Row]) -> list[str]:
    """The header of a table with something known in it; none where it is no such table."""
    first = [row for _, row in rows[:_LOOKED_AT]]
    at = find_header(first) if first else None
    return trimmed(first[at]) if at is not None and looks_named(first[at][:40]) else []


def _rows(page: Any, begun: int) -> Iterator[Row]:
    """Rows of a sheet that are not blank. Raises `ValueError` beyond the limits."""
    cells = 0
    for number, values in enumerate(page.iter_rows(values_only=True), 1):
        cells += len(values)
        if cells > limits.BOOK_CELLS or number > limits.BOOK_ROWS:
            raise ValueError(f"it has more than {limits.BOOK_CELLS:,} cells")
        texts = trimmed([_text(value) for value in values])
        if len(texts) > limits.SHEET_COLUMNS:
            raise ValueError(f"it has more than {limits.SHEET_COLUMNS:,} columns")
        if texts:
            yield begun + number, texts


def _text(value: Any) -> str:
    """A cell as a text file would have it: numbers to the last bit, times as ISO 8601 has them."""
    if value is None or (isinstance(value, str) and value in _ERRORS):
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.isoformat(" ")
    if isinstance(value, timedelta):
        seconds, rest = divmod(value, timedelta(seconds=1))
        clock = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        return f"{clock}.{rest.microseconds:06d}"
    if isinstance(value, (date, time)):
        return value.isoformat()
    return str(value).strip()
