"""A table of cells as it stands in a file, before anything is understood of it."""

from __future__ import annotations

import csv
import hashlib
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from logbench.errors import ImportFileError
from logbench.importing.cells import EMPTY, NOT_USED
from logbench.importing.heading import (
    are_units,
    find_header,
    first_data,
    is_number,
    looks_named,
    trimmed,
    uncommented,
    units_below,
)
from logbench.importing.names import is_kind
from logbench.system import limits
from logbench.system.progress import Told, counted, untold
from logbench.system.reading import read_packed

DELIMITERS = (",", ";", "\t", "|")
_BLANK = " \t\r\n\v\f\u00a0\ufeff"
"""What does not belong to a cell; files that were put together have byte order marks within."""
_LOOKED_AT = 400


@dataclass(slots=True)
class Column:
    """One column: either `texts` or, from tables that hold numbers, `numbers` (float64, NaN where
    nothing is), shape (n,)."""

    name: str
    texts: npt.NDArray[np.object_] | None = None
    numbers: npt.NDArray[np.float64] | None = None

    def sample(self, most: int = 300) -> list[str]:
        """Some cells as text, from all over the column."""
        step = max(1, len(self) // most)
        if self.texts is not None:
            return [str(text) for text in self.texts[::step]]
        assert self.numbers is not None
        return ["" if np.isnan(x) else repr(float(x)) for x in self.numbers[::step]]

    def cells(self) -> list[str]:
        """All cells as text."""
        return self.sample(most=max(1, len(self)))

    def all_texts(self, rows: npt.NDArray[np.intp] | None = None) -> npt.NDArray[np.object_]:
        """All cells, or those of some rows, as they stand in a column of names."""
        if self.texts is not None:
            return self.texts if rows is None else self.texts[rows]
        assert self.numbers is not None
        numbers = self.numbers if rows is None else self.numbers[rows]
        return np.array([f"{x:g}" for x in numbers], dtype=object)

    def part(self, rows: npt.NDArray[np.intp] | slice) -> Column:
        """The same of some rows."""
        texts = None if self.texts is None else self.texts[rows]
        return Column(self.name, texts, None if self.numbers is None else self.numbers[rows])

    def turned(self) -> Column:
        """The same from its end."""
        return self.part(slice(None, None, -1))

    def __len__(self) -> int:
        held = self.texts if self.texts is not None else self.numbers
        return 0 if held is None else len(held)


@dataclass(slots=True)
class Sheet:
    """Columns, the line of each row in the file, and what lay around them."""

    columns: list[Column]
    lines: npt.NDArray[np.int64]
    units: list[str] = field(default_factory=list)
    """Units from a row below the header, one a column; empty where there is no such row."""
    preamble: list[tuple[int, str]] = field(default_factory=list)
    """Lines before the header."""
    breaks: int = 0
    """How often the header was repeated."""
    long_rows: list[tuple[int, str]] = field(default_factory=list)
    """(line, text) of cells beyond the last column."""
    short_rows: list[int] = field(default_factory=list)
    """Lines with fewer cells than the header."""
    notes: list[str] = field(default_factory=list)
    """What else was left out, as sentences."""
    header: list[str] = field(default_factory=list)
    """Header texts of the file, where they are not those of the columns."""

    @property
    def rows(self) -> int:
        """Number of data rows."""
        return len(self.lines)

    @property
    def names(self) -> list[str]:
        """Header texts."""
        return [column.name for column in self.columns]

    def turned(self) -> Sheet:
        """The same from its last row to its first."""
        return replace(
            self, columns=[column.turned() for column in self.columns], lines=self.lines[::-1]
        )

    @property
    def fingerprint(self) -> str:
        """Same for files with the same header: 16 hexadecimal digits."""
        plain = "\0".join(" ".join(name.lower().split()) for name in self.header or self.names)
        return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a text file is cut into cells."""

    encoding: str
    delimiter: str
    header_row: int | None
    units_row: bool


def read_text(path: Path, encoding: str | None = None) -> tuple[str, str]:
    """The file's text and its encoding (by its mark, else UTF-8, else the western code page).

    Raises `ImportFileError` for a missing, empty, enormous or binary file.
    """
    try:
        raw = read_packed(path, limits.TEXT_BYTES)
    except ValueError as error:
        raise ImportFileError(f"{path} is not read, {error}: cut it into smaller files.") from error
    except IsADirectoryError as error:
        raise ImportFileError(f"{path} is not a file: name the files in it.") from error
    except OSError as error:
        raise ImportFileError(f"{path} cannot be read ({error.strerror}): check it.") from error
    if not raw.strip():
        raise ImportFileError(f"{path} is empty: there is nothing to import.")
    names = [encoding, "utf-8", "cp1252", "latin-1"]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        names, raw = ["utf-16"], raw[: len(raw) // 2 * 2]  # half a character: cut short
    elif raw.startswith(b"\xef\xbb\xbf"):
        names = ["utf-8-sig", *names]
    elif b"\0" in raw[:100_000]:
        raise ImportFileError(
            f"{path} is not a text file: give a CSV, a Parquet file or a CAN log."
        )
    for name in names:
        try:
            return raw.decode(name or "utf-8"), name or "utf-8"
        except (UnicodeDecodeError, LookupError):
            continue
    raise ImportFileError(f"{path} is not text that can be read: save it as UTF-8.")


def cells_of(
    text: str, delimiter: str, most: int | None = None, told: Told = untold
) -> list[tuple[int, list[str]]]:
    """(line, cells) of every row that is not wholly blank; quotes as in RFC 4180.

    Raises `ImportFileError` beyond the limits of a line, of columns and of cells.
    """
    if most is None and text.count(delimiter) + text.count("\n") > limits.SHEET_CELLS:
        raise ImportFileError(
            f"The file has more than {limits.SHEET_CELLS:,} cells: cut it into smaller files."
        )
    csv.field_size_limit(limits.LINE_CHARS)
    lines = _lines(text)
    reader = csv.reader(lines, delimiter=delimiter)
    out: list[tuple[int, list[str]]] = []
    begun = 1
    try:
        for row in counted(itertools.islice(reader, most), len(lines), told):
            begun = reader.line_num + 1
            if len(row) > limits.SHEET_COLUMNS and any(cell.strip() for cell in row):
                raise ImportFileError(
                    f"Line {reader.line_num} has more than {limits.SHEET_COLUMNS:,} cells, which "
                    "are too many to be read: leave out columns."
                )
            if any(cell.strip() for cell in row):
                out.append((reader.line_num, [cell.strip(_BLANK) for cell in row]))
    except csv.Error as error:
        raise ImportFileError(
            f"Line {begun} cannot be cut into cells ({error}), perhaps a quotation mark in it is "
            "never closed: check the file."
        ) from error
    return out


def _lines(text: str) -> list[str]:
    """With their ends. Raises `ImportFileError` where one is longer than a line can be."""
    lines = text.splitlines(keepends=True)
    if max(map(len, lines), default=0) > limits.LINE_CHARS:
        number = next(n for n, line in enumerate(lines, 1) if len(line) > limits.LINE_CHARS)
        raise ImportFileError(
            f"Line {number} has {len(lines[number - 1]):,} characters, which no row of a table "
            "has: check the file."
        )
    return lines


def sniff(text: str, encoding: str, among: Sequence[str] = DELIMITERS) -> Dialect:
    """Delimiter (one of `among`), header and units row, from the beginning of the text."""
    head = text[:300_000]
    if len(head) < len(text):
        head = head[: head.rfind("\n") + 1] or head
    best, best_score = among[0], -1.0
    rows_of: dict[str, list[tuple[int, list[str]]]] = {}
    for delimiter in among:
        if delimiter not in head:
            continue
        try:
            rows = cells_of(head, delimiter, _LOOKED_AT)
        except ImportFileError:
            continue
        rows_of[delimiter] = rows
        score = _consistency([row for _, row in rows])
        if score > best_score:
            best, best_score = delimiter, score
    rows = rows_of.get(best) or cells_of(head, best, _LOOKED_AT)
    if not rows:
        raise ImportFileError(
            "The file begins with blank cells only: check it, or name what separates its cells."
        )
    return dialect_of(rows, encoding, best)


def dialect_of(rows: list[tuple[int, list[str]]], encoding: str, delimiter: str) -> Dialect:
    """Where header and units are among the first rows."""
    plain = [row for _, row in uncommented(rows)[:_LOOKED_AT]]
    header = find_header(plain)
    units = None if header is None else units_below(plain, header)
    return Dialect(encoding, delimiter, header, units is not None)


def _consistency(rows: list[list[str]]) -> float:
    """How well rows agree in their number of cells, and how many cells make sense."""
    widths = Counter(map(len, rows)) or Counter([0])
    width, times = max(widths.items(), key=lambda item: (item[1], item[0]))
    if width < 2:
        return 0.0
    cells = [cell for row in rows for cell in row[:width]]
    good = sum(map(_makes_sense, cells)) / max(1, len(cells))
    return times / len(rows) * (0.2 + good) * min(1.0, 0.7 + 0.1 * width)


def _makes_sense(cell: str) -> bool:
    return is_number(cell) or cell.lower() in EMPTY | {NOT_USED} or looks_named([cell])


def read_sheet(text: str, dialect: Dialect, told: Told = untold) -> Sheet:
    """The whole text as columns; see `sheet_of_rows`."""
    return sheet_of_rows(cells_of(text, dialect.delimiter, told=told), dialect)


def sheet_of_rows(rows: list[tuple[int, list[str]]], dialect: Dialect) -> Sheet:
    """Rows with their lines as columns; short rows are filled with blanks, repeated headers marked,
    comments and further rows of headings left out."""
    every, rows = len(rows), uncommented(rows)
    notes = []
    if every > len(rows):
        notes.append(f"{every - len(rows):,} lines of comments are not imported.")
    start = 0 if dialect.header_row is None else dialect.header_row + 1
    if dialect.header_row is None:
        width = Counter(len(trimmed(row)) for _, row in rows).most_common(1)[0][0]
        names = [f"column {k + 1}" for k in range(width)]
        preamble: list[tuple[int, str]] = []
    else:
        if dialect.header_row >= len(rows):
            raise ImportFileError("The file has no header where the mapping says: detect it anew.")
        names = _unique_names(trimmed(rows[dialect.header_row][1]))
        preamble = [(line, " ".join(row)) for line, row in rows[: dialect.header_row]]
    units: list[str] = []
    if dialect.header_row is not None:
        below = [row for _, row in rows[start : start + 10]]
        at = units_below(below, -1) if dialect.units_row else None
        if at is not None:
            units = [re.sub(r"^[\(\[](.*)[\)\]]$", r"\1", cell) for cell in below[at]]
            units = (units + [""] * len(names))[: len(names)]
        first = first_data(below)
        further = first - (at is not None and at < first)
        if further:
            notes.append(f"{further} further lines of headings are not imported.")
        start += max(first, 0 if at is None else at + 1)
    sheet = _fill(rows[start:], names, units, preamble)
    sheet.notes = notes
    return unpaired(sheet)


def unpaired(sheet: Sheet) -> Sheet:
    """A sheet with a column of times beside each signal, or beside some of them, as one with a
    sample in each row; any other as it is."""
    plain = [re.sub(r" #\d+$", "", name) for name in sheet.names]
    if len(plain) < 4 or plain.count(plain[0]) < 2 or not is_kind(plain[0], "time"):
        return sheet
    starts = [k for k, name in enumerate(plain) if name == plain[0]]
    ends = [*starts[1:], len(plain)]
    if any(end - start < 2 for start, end in zip(starts, ends, strict=True)):
        return sheet
    parts: dict[str, list[npt.NDArray[np.object_]]] = {n: [] for n in (plain[0], *_TIDY)}
    lines = []
    for start, end in zip(starts, ends, strict=True):
        times = sheet.columns[start].all_texts()
        for place in range(start + 1, end):
            values = sheet.columns[place].all_texts()
            rows = np.flatnonzero((values != "") & (times != ""))
            unit = sheet.units[place] if sheet.units else ""
            parts[plain[0]].append(times[rows])
            parts["signal"].append(np.full(len(rows), plain[place], dtype=object))
            parts["value"].append(values[rows])
            parts["unit"].append(np.full(len(rows), unit, dtype=object))
            lines.append(sheet.lines[rows])
    if not sheet.units:
        del parts["unit"]
    columns = [Column(name, texts=np.concatenate(part)) for name, part in parts.items()]
    notes = [*sheet.notes, "Each signal has times of its own beside it."]
    return replace(sheet, columns=columns, lines=np.concatenate(lines), units=[], notes=notes,
                   header=sheet.names)  # fmt: skip


_TIDY = ("signal", "value", "unit")


def _fill(
    rows: list[tuple[int, list[str]]],
    names: list[str],
    units: list[str],
    preamble: list[tuple[int, str]],
) -> Sheet:
    width = len(names)
    sheet = Sheet([], np.empty(0, np.int64), units, preamble)
    kept: list[list[str]] = []
    lines: list[int] = []
    skip_units = False
    first = [re.sub(r"^column 1$", "", name) for name in names[:1]]
    for line, row in rows:
        # most rows are told from a header by their first cell
        if row[:1] == first and _unique_names(trimmed(row)) == names:
            sheet.breaks += 1
            skip_units = bool(units)
            continue
        if skip_units and are_units(row):
            skip_units = False
            continue
        skip_units = False
        sheet.long_rows += [(line, cell) for cell in row[width:] if cell]
        if len(row) < width:
            sheet.short_rows.append(line)
        kept.append((row + [""] * (width - len(row)))[:width])
        lines.append(line)
    sheet.lines = np.array(lines, np.int64)
    table = np.array(kept, dtype=object).reshape(len(kept), width)
    sheet.columns = [Column(name, texts=table[:, k]) for k, name in enumerate(names)]
    return sheet


def _unique_names(names: list[str]) -> list[str]:
    """Header texts, numbered where several are the same or empty."""
    seen: Counter[str] = Counter()
    out = []
    for k, name in enumerate(names):
        plain = name.strip()[: limits.HEADER_CHARS] or f"column {k + 1}"
        seen[plain] += 1
        out.append(plain if seen[plain] == 1 else f"{plain} #{seen[plain]}")
    return out
