"""What a Parquet file says of its size, read before anything is done by it.

pyarrow believes a footer: it takes memory for the rows and pages that one claims, and ends the
process at some descriptions of chunks. So the few numbers that memory goes by are read here first,
from the footer and from the heads of the pages (Apache Parquet's `parquet.thrift`, in Thrift's
compact protocol), and held against the size of the file and the limits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import BinaryIO

from logbench.system import limits
from logbench.system.reading import open_plain

MAGIC = b"PAR1"
Opened = Callable[[], AbstractContextManager[BinaryIO]]
"""Opens a Parquet file."""
_HEAD_BYTES = 400
"""Of a page's head, read at first; statistics in it may make it longer."""
_DEEPEST = 12
"""Structures within one another in a footer; the format has seven."""
_BOOLEANS, _BYTE, _INTEGERS, _DOUBLE, _BINARY = (1, 2), 3, (4, 5, 6), 7, 8
_LISTS, _MAP, _STRUCT = (9, 10), 11, 12


@dataclass(frozen=True, slots=True)
class Chunk:
    """One column of one row group, as its file describes it; nothing of it is believed yet."""

    group: int
    column: int
    rows: int
    """Of the whole row group."""
    start: int
    """Place of its first page."""
    packed_bytes: int
    unpacked_bytes: int
    values: int


def absurd(size: int, rows: int, chunks: Sequence[Chunk], columns: int) -> str:
    """What a footer claims that cannot be, or is more than is read; `` when it is sound. `size`:
    of its file; `rows`: as the footer sums them up; `columns`: of the table."""
    free = limits.ROWS_FREE + size * limits.ROWS_PER_BYTE
    if not 0 <= rows <= min(limits.ROWS, free):
        return f"{rows:,} rows"
    counted = 0
    for number, chunk in enumerate(chunks):
        if (chunk.group, chunk.column) != divmod(number, columns):
            return "columns in no order"
        if min(chunk.start, chunk.packed_bytes, chunk.rows, chunk.values) < 0:
            return "less than nothing"
        if chunk.values > min(limits.ROWS, free):
            return f"{chunk.values:,} values"
        if chunk.start + chunk.packed_bytes > size:
            return "data behind its end"
        if not 0 <= chunk.unpacked_bytes <= limits.UNPACKED_BYTES:
            return f"{chunk.unpacked_bytes / 1e9:,.0f} GB in one signal"
        counted += chunk.rows if chunk.column == 0 else 0
    if len(chunks) % columns:
        return "columns that are not there"
    return "" if counted == rows else f"{rows:,} rows and holds {counted:,}"


@dataclass(frozen=True, slots=True)
class Believed:
    """A file whose footer is sound as to sizes: its chunks, row group by row group."""

    opened: Opened
    chunks: tuple[tuple[Chunk, ...], ...]

    def check_pages(self, groups: Iterable[int], columns: Sequence[int]) -> None:
        """Look at the head of every page of some row groups, before they are read. Raises
        `ValueError` where a page, or all together, unpack to more than is read; `OSError`."""
        with self.opened() as file:
            unpacked = sum(
                _check_pages(file, self.chunks[group][column], whole=True)
                for group in groups
                for column in columns
            )
        if unpacked > limits.UNPACKED_BYTES:
            raise ValueError(f"it unpacks to {unpacked / 1e9:,.1f} GB")


def believe(path: Path) -> Believed:
    """The sizes in a Parquet file. Raises as `believe_in`."""
    return believe_in(partial(open_plain, path))


def believe_in(opened: Opened) -> Believed:
    """The sizes in the Parquet file that this opens. Raises `OSError`; `ValueError` where it is
    none, cut short, or claims what it cannot hold."""
    with opened() as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - 8))
        end = file.read(8)
        length = int.from_bytes(end[:4], "little")
        if end[4:] != MAGIC or length > size - 12:
            raise ValueError("it is cut short")
        if length > limits.FOOTER_BYTES:
            raise ValueError(f"its footer has {length / 1e6:,.0f} MB")
        file.seek(size - 8 - length)
        rows, groups = _groups(file.read(length))
        columns = max(map(len, groups), default=0) or 1
        problem = absurd(size, rows, [chunk for group in groups for chunk in group], columns)
        if problem:
            raise ValueError(f"it claims {problem}")
        for group in groups:
            for chunk in group:
                _check_pages(file, chunk, whole=False)
    return Believed(opened, tuple(map(tuple, groups)))


def _check_pages(file: BinaryIO, chunk: Chunk, *, whole: bool) -> int:
    """Of the whole chunk, or up to its first page of values; what they unpack to. Raises
    `ValueError`, `OSError`."""
    place, end, total = chunk.start, chunk.start + chunk.packed_bytes, 0
    if chunk.rows == chunk.values == 0:
        return 0  # its place means nothing
    while place < end:
        file.seek(place)
        head = file.read(_HEAD_BYTES)
        try:
            kind, unpacked, packed, length = _page(head)
        except IndexError:
            file.seek(place)
            try:
                kind, unpacked, packed, length = _page(file.read(limits.PAGE_HEAD_BYTES))
            except IndexError as error:
                raise ValueError("a page without an end of its head") from error
        if not (0 <= unpacked <= limits.PAGE_BYTES and packed >= 0):
            raise ValueError(f"a page claims {unpacked / 1e6:,.0f} MB")
        total += unpacked
        if not whole and kind != _DICTIONARY:
            break
        place += length + packed
    return total


_DICTIONARY = 2
"""Kind of a page (`PageType`)."""


def _page(data: bytes) -> tuple[int, int, int, int]:
    """Kind, unpacked and packed size of the page whose head begins here, and the head's length.
    Raises `IndexError` where the head goes on behind `data`."""
    found, length = _integers(data, 0, 0)
    return found.get(1, 0), found.get(2, -1), found.get(3, -1), length


# --- the footer ---


def _groups(data: bytes) -> tuple[int, list[list[Chunk]]]:
    """The rows of a file and its chunks, from its footer. Raises `ValueError`."""
    try:
        groups: list[list[Chunk]] = []
        rows, place, number = -1, 0, 0
        while data[place]:
            number, kind, place = _field(data, place, number)
            if number == 3 and kind in _INTEGERS:
                rows, place = _integer(data, place)
            elif number == 4 and kind in _LISTS:
                groups = []
                count, _, place = _list(data, place)
                if count > limits.ROW_GROUPS:
                    raise ValueError(f"it claims {count:,} row groups")
                for group in range(count):
                    made, place = _group(data, place, group)
                    groups.append(made)
            else:
                place = _skip(data, place, kind, 0)
        return rows, groups
    except IndexError as error:
        raise ValueError("its footer has no end") from error


def _group(data: bytes, place: int, group: int) -> tuple[list[Chunk], int]:
    found: list[dict[int, int]] = []
    number, rows = 0, -1
    while data[place]:
        number, kind, place = _field(data, place, number)
        if number == 1 and kind in _LISTS:
            found = []
            count, _, place = _list(data, place)
            if count > limits.SHEET_COLUMNS:
                raise ValueError(f"it claims {count:,} columns")
            for _ in range(count):
                numbers, place = _chunk(data, place)
                found.append(numbers)
        elif number == 3 and kind in _INTEGERS:
            rows, place = _integer(data, place)
        else:
            place = _skip(data, place, kind, 0)
    return [_described(group, k, rows, numbers) for k, numbers in enumerate(found)], place + 1


def _chunk(data: bytes, place: int) -> tuple[dict[int, int], int]:
    """The numbers of a chunk's `meta_data`."""
    numbers: dict[int, int] = {}
    number = 0
    while data[place]:
        number, kind, place = _field(data, place, number)
        if number == 3 and kind == _STRUCT:
            numbers, place = _integers(data, place, 0)
        elif number == 1:
            raise ValueError("its data are in another file")
        else:
            place = _skip(data, place, kind, 0)
    return numbers, place + 1


def _described(group: int, column: int, rows: int, numbers: dict[int, int]) -> Chunk:
    """`ColumnMetaData`: 5 values, 6 unpacked, 7 packed, 9 first page, 11 page of the dictionary."""
    start, dictionary = numbers.get(9, -1), numbers.get(11, 0)
    if 0 < dictionary < start:
        start = dictionary
    return Chunk(group, column, rows, start, numbers.get(7, -1), numbers.get(6, -1),
                 numbers.get(5, -1))  # fmt: skip


# --- Thrift's compact protocol; an `IndexError` is the end of the data ---


def _integers(data: bytes, place: int, depth: int) -> tuple[dict[int, int], int]:
    """The whole numbers among a structure's own fields, and the place behind it."""
    found: dict[int, int] = {}
    number = 0
    while head := data[place]:
        kind = head & 15
        if head >> 4:
            number, place = number + (head >> 4), place + 1
        else:
            number, place = _integer(data, place + 1)
        if kind in _INTEGERS:
            value = data[place]
            place += 1
            if value >= 128:
                value, place = _size(data, place - 1)
            found[number] = (value >> 1) ^ -(value & 1)
        else:
            place = _skip(data, place, kind, depth)
    return found, place + 1


def _field(data: bytes, place: int, before: int) -> tuple[int, int, int]:
    """Number and kind of the field that begins here, and the place of its value."""
    head = data[place]
    if head >> 4:
        return before + (head >> 4), head & 15, place + 1
    number, place = _integer(data, place + 1)
    return number, head & 15, place


def _integer(data: bytes, place: int) -> tuple[int, int]:
    value, place = _size(data, place)
    return (value >> 1) ^ -(value & 1), place


def _size(data: bytes, place: int) -> tuple[int, int]:
    byte = data[place]
    if byte < 128:
        return byte, place + 1
    value, shift = byte & 127, 7
    while byte >= 128:
        place += 1
        byte = data[place]
        value |= (byte & 127) << shift
        shift += 7
        if shift > 70:
            raise ValueError("its footer holds a number without an end")
    return value, place + 1


def _list(data: bytes, place: int) -> tuple[int, int, int]:
    """Number and kind of a list's elements, and the place of the first."""
    head = data[place]
    if head >> 4 != 15:
        return head >> 4, head & 15, place + 1
    count, place = _size(data, place + 1)
    if count > len(data):
        raise ValueError("its footer holds a list longer than itself")
    return count, head & 15, place


def _skip(data: bytes, place: int, kind: int, depth: int) -> int:
    """The place behind a value."""
    if kind == _BINARY:
        size = data[place]
        if size < 128:
            return place + 1 + size
        size, place = _size(data, place)
        return place + size
    if kind in _INTEGERS:
        return _size(data, place)[1]
    if kind in _BOOLEANS:
        return place
    if kind == _DOUBLE:
        return place + 8
    if kind == _BYTE:
        return place + 1
    if depth > _DEEPEST:
        raise ValueError("its footer is nested too deeply")
    if kind == _STRUCT:
        while head := data[place]:
            place += 1
            if not head >> 4:
                place = _size(data, place)[1]
            if head & 15 in _INTEGERS:  # most are
                while data[place] >= 128:
                    place += 1
                place += 1
            else:
                place = _skip(data, place, head & 15, depth + 1)
        return place + 1
    if kind in _LISTS:
        count, inner, place = _list(data, place)
        for _ in range(count):
            place = place + 1 if inner in _BOOLEANS else _skip(data, place, inner, depth + 1)
        return place
    raise ValueError("its footer holds what no footer holds")
