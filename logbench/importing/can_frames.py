"""The frames of a CAN log: candump's own text is read here, other forms by python-can.

A line that is none costs itself: it is counted, and reading goes on behind it. Where a log cannot
be read on, the report says that its rest is missing.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any, BinaryIO, NamedTuple, TextIO, cast

from logbench.errors import ImportFileError
from logbench.importing.blf import check_blf
from logbench.importing.model import Report
from logbench.system.extras import lacks
from logbench.system.limits import LINE_CHARS, TEXT_BYTES
from logbench.system.reading import open_plain

_NO_LINE = "is not a frame of a log"


class Frame(NamedTuple):
    """One data frame. `t_s`: seconds on the log's clock; None where it has none."""

    line: int
    t_s: float | None
    channel: str
    identifier: int
    extended: bool
    data: bytes


def frames_of(path: Path, report: Report) -> Iterator[Frame]:
    """Data frames of a log. Raises `ImportFileError`."""
    suffix = path.suffix.lower()
    report.cut_short = not _check(path, blf=suffix == ".blf")
    try:
        if suffix == ".blf":
            with path.open("rb") as blocks:
                yield from _blf(blocks, report)
            return
        read = {".asc": _asc, ".trc": _trc}.get(suffix, _candump)
        with path.open(encoding="utf-8", errors="replace") as text:
            yield from read(text, report)
    except ModuleNotFoundError as error:
        raise ImportFileError(lacks("A CAN log", "python-can", "can")) from error


def _check(path: Path, *, blf: bool) -> bool:
    """Whether the log is whole, as far as that shows. Raises `ImportFileError` for what python-can
    must not be given: it reads a line or a block whole."""
    try:
        with open_plain(path) as file:
            if os.fstat(file.fileno()).st_size > TEXT_BYTES:
                raise ValueError(f"it is longer than {TEXT_BYTES / 1e6:g} MB")
            if blf:
                return check_blf(file)
            while len(block := file.read(LINE_CHARS)) == LINE_CHARS:
                if b"\n" not in block and b"\r" not in block:
                    raise ValueError("a line is longer than any frame is written")
            return True
    except ValueError as error:
        raise ImportFileError(f"{path} is not read, {error}: check the file.") from error
    except OSError as error:
        raise ImportFileError(f"{path} cannot be read ({error.strerror}): check it.") from error


# --- candump ---

_LOGGED = re.compile(
    r"\((?P<time>-?[\d.]+|nan|inf)\)\s+(?P<channel>\S+)\s+(?P<id>[0-9A-F]{1,8})#(?:#[0-9A-F])?"
    r"(?P<data>[0-9A-F]*|R\d*)(?:\s+[RT])?",
    re.IGNORECASE,
)
_SHOWN = re.compile(
    r"(?:\((?P<time>-?[\d.]+)\)\s+)?(?P<channel>\S+)\s+(?:[RT]X\s+\S+\s+\S+\s+)?"
    r"(?P<id>[0-9A-F]{3,8})\s+\[\d+\]\s*(?P<data>(?:[0-9A-F]{2}\s*)*|remote request)(?:'.*')?",
    re.IGNORECASE,
)
"""On the screen, with times (`-t`) or without."""
_ERROR_FLAG = 0x20000000
_IDENTIFIER = 0x1FFFFFFF


def _candump(stream: IO[str], report: Report) -> Iterator[Frame]:
    for number, line in enumerate(stream, start=1):
        text = line.strip()
        found = _LOGGED.fullmatch(text) or _SHOWN.fullmatch(text)
        try:
            frame = None if found is None else _of_candump(number, found)
        except ValueError:
            found = None
        if found is None and text:
            report.leave_out(number, "", text, _NO_LINE)
        elif found is not None and frame is not None:
            yield frame


def _of_candump(number: int, found: re.Match[str]) -> Frame | None:
    """None of what is not a data frame. Raises `ValueError`."""
    identifier = int(found["id"], 16)
    if identifier & _ERROR_FLAG or found["data"][:1].upper() == "R":
        return None
    t_s = None if found["time"] is None else float(found["time"])
    data = bytes.fromhex(found["data"])
    extended = len(found["id"]) > 3
    return Frame(number, t_s, found["channel"], identifier & _IDENTIFIER, extended, data)


# --- python-can ---


class _Lines(io.TextIOBase):
    """A text file for python-can, counting its lines."""

    def __init__(self, file: IO[str]) -> None:
        self._file = file
        self._next = file.readline()
        self.number = 0
        """Of the line read last, from 1."""
        self.pushed = ""
        """A line that comes before the next."""

    @property
    def ended(self) -> bool:
        """There is no further line."""
        return not self._next

    def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
        """The next line."""
        pushed, self.pushed = self.pushed, ""
        if pushed:
            return pushed
        line, self._next = self._next, self._file.readline()
        self.number += 1
        return line


def _asc(stream: IO[str], report: Report) -> Iterator[Frame]:
    import can

    lines = _Lines(stream)
    return _line_by_line(can.ASCReader(cast("TextIO", lines)), lines, "\n", 1, report)


def _trc(stream: IO[str], report: Report) -> Iterator[Frame]:
    import can

    lines = _Lines(stream)
    return _line_by_line(can.TRCReader(cast("TextIO", lines)), lines, "", 0, report)


def _line_by_line(
    reader: Any, lines: _Lines, header_end: str, first: int, report: Report
) -> Iterator[Frame]:
    """All frames: behind a line that the reader cannot read it is begun anew, and then takes
    `header_end` for the line behind the header. `first`: number of the first channel."""
    while True:
        try:
            for message in reader:
                yield from _of_can(message, lines.number, first)
            return
        except Exception as error:  # python-can's parsers raise whatever a bad line causes
            report.leave_out(lines.number, "", str(error), _NO_LINE)
        if lines.ended:
            return
        lines.pushed = header_end


def _blf(stream: BinaryIO, report: Report) -> Iterator[Frame]:
    import can

    number = 0
    try:
        for number, message in enumerate(can.BLFReader(stream), start=1):
            yield from _of_can(message, number, 1)
    except Exception as error:  # as above
        report.leave_out(number + 1, "", str(error), _NO_LINE)
        report.cut_short = True
    if report.cut_short:
        report.remark("The log is cut short or damaged: it ends before its recording did.")


def _of_can(message: Any, number: int, first: int) -> Iterator[Frame]:
    """A message of python-can, unless it holds no data."""
    if not (message.is_error_frame or message.is_remote_frame):
        channel = message.channel
        named = f"channel {channel + first}" if isinstance(channel, int) else str(channel or "")
        yield Frame(
            number,
            message.timestamp,
            named,
            message.arbitration_id,
            message.is_extended_id,
            bytes(message.data),
        )
