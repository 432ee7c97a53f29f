"""The text of a session with an adapter, as a terminal shows it: prompts, commands, replies.

Commands stand behind a prompt, `>`; every line up to the next one is the adapter's. Replies may
have headers (`7E8 04 41 0C 1A F8`) or none, spaces or none, and a time before each line or none.
With headers they are put together as those of a link are.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from logbench.errors import ImportFileError
from logbench.importing.heard import Heard, decode_all, drives_of
from logbench.importing.model import ENGINE_ECU, Imported, Report
from logbench.system.limits import LINE_CHARS, SESSION_BYTES, SESSION_REQUESTS
from logbench.system.progress import Told, counted, untold
from logbench.system.reading import open_plain
from logbench.vehicle.framing import NAMELESS, Raw, assemble_bare_can_lines, assemble_can_lines
from logbench.vehicle.older import Form, assemble_older_lines

_LOOKED_AT = 65_536
"""Bytes in which a session must show itself as one."""
_STAMP = re.compile(
    r"\s*\[?(?:(?P<date>\d{4}-\d\d-\d\d)[ T])?"
    r"(?:(?P<h>\d{1,2}):(?P<m>\d\d):(?P<s>\d\d(?:[.,]\d+)?)|(?P<count>\d+\.\d+))\]?[:;,]?\s+"
    r"(?!V\b)"
)
"""Before a line: time of day, with or without its date, or seconds."""
_COMMAND = r"(?:AT\s*[A-Z@][\w\s]*|(?:01|02|03|07|09|0A|22)[0-9A-F\s]*)"
_PROMPTED = re.compile(rf"(?:{_STAMP.pattern})?\s*>\s*{_COMMAND}", re.IGNORECASE)
_PAUSE_NS = 10**9
"""Requests are put so far apart where nothing tells the time."""
_STATUS = re.compile(r"^(?:SEARCHING|BUS INIT:?)[ .]*(?:OK)?", re.IGNORECASE)
"""What an adapter may write in front of a reply."""
_INDEXED = re.compile(r"([0-9A-F]):([0-9A-F]*)")
_HEX = re.compile(r"[0-9A-F]{2,}")
_ELEVEN = re.compile(r"7E[89A-F](?:..)+")
_NOT_WHOLE = "is not a whole reply"
_DAY_NS = 86_400 * 10**9


@dataclass(slots=True)
class _Exchange:
    """A command and what came of it."""

    line: int
    command: str
    asked_ns: int | None
    replies: list[tuple[int, str]] = field(default_factory=list)
    """Line numbers and lines, without their times."""
    came_ns: int | None = None
    """When the first of them came."""


_LINE_BYTES = 20
"""Of a line of a session, about."""


def is_session(path: Path) -> bool:
    """Whether a text file is one, by its beginning."""
    try:
        with open_plain(path) as file:
            start = file.read(_LOOKED_AT).decode("utf-8", "replace")
    except (OSError, ValueError):
        return False
    return any(_PROMPTED.fullmatch(line) for line in re.split(r"[\r\n]+", start))


def import_session(path: Path, told: Told = untold) -> Imported:
    """All current data that ECUs answered. Raises `ImportFileError`."""
    report = Report()
    try:
        with open_plain(path) as file:
            data = file.read(SESSION_BYTES + 1)
    except (OSError, ValueError) as error:
        raise ImportFileError(f"{path} cannot be read ({error}): check it.") from error
    if len(data) > SESSION_BYTES:
        raise ImportFileError(f"{path} is longer than {SESSION_BYTES / 1e6:g} MB: cut it.")
    clock = _Clock()
    text = io.StringIO(data.decode("utf-8", "replace"), newline=None)
    lines = counted(text, len(data) // _LINE_BYTES, told)
    exchanges = [*itertools.islice(_exchanges(lines, clock), SESSION_REQUESTS + 1)]
    if len(exchanges) > SESSION_REQUESTS:
        raise ImportFileError(f"{path} has more than {SESSION_REQUESTS:,} requests: cut it.")
    report.rows = len(exchanges)
    if any(one.asked_ns is None for one in exchanges):
        report.remark("The session has no times: its requests are taken as 1 s apart.")
        for number, one in enumerate(exchanges):
            one.asked_ns = one.came_ns = number * _PAUSE_NS
    decoded = decode_all([m for one in exchanges for m in _heard(one, report)], report)
    if not decoded.samples:
        raise ImportFileError(
            f"{path} is the text of a session with an adapter, but holds no replies with current "
            "data (service 01 or 22)."
        )
    drives = tuple(drives_of(decoded, path.name, "", clock.zero))
    report.samples = sum(len(trace) for drive in drives for trace in drive.traces)
    return Imported(drives, report)


# --- lines and times ---


class _Clock:
    """Reads the times before lines."""

    def __init__(self) -> None:
        self.zero: datetime | None = None
        """Midnight of the first line's day, where that is told."""
        self._before_ns = 0
        self._days = 0

    def read(self, stamp: re.Match[str]) -> int:
        """Nanoseconds of a time, also past midnight. Raises `ValueError`."""
        if stamp["count"]:
            return round(float(stamp["count"]) * 1e9)
        seconds = float(stamp["s"].replace(",", "."))
        t_ns = round((int(stamp["h"]) * 3600 + int(stamp["m"]) * 60 + seconds) * 1e9)
        if stamp["date"]:
            day = datetime.fromisoformat(stamp["date"])
            self.zero = self.zero or day
            self._days = (day - self.zero).days
        elif t_ns + self._days * _DAY_NS < self._before_ns - _DAY_NS // 2:
            self._days += 1
        self._before_ns = t_ns + self._days * _DAY_NS
        return self._before_ns


def _exchanges(lines: Iterable[str], clock: _Clock) -> Iterator[_Exchange]:
    """Those of a request to the car."""
    now: _Exchange | None = None
    for number, line in enumerate(lines, start=1):
        rest, t_ns = line[:LINE_CHARS], None
        stamp = _STAMP.match(rest)
        if stamp is not None:
            with contextlib.suppress(ValueError):
                rest, t_ns = rest[stamp.end() :], clock.read(stamp)
        answer, prompt, command = rest.rpartition(">")
        answer = answer if prompt else command
        if now is not None and answer.strip():
            now.replies.append((number, answer.strip()))
            now.came_ns = t_ns if now.came_ns is None else now.came_ns
        if prompt:
            if now is not None and _HEX.fullmatch(now.command):
                yield now
            wanted = "".join(command.split()).upper()
            again = now.command if not wanted and now is not None else wanted
            now = _Exchange(number, again, t_ns)
    if now is not None and _HEX.fullmatch(now.command):
        yield now


# --- replies ---


def _heard(exchange: _Exchange, report: Report) -> Iterator[Heard]:
    """The messages of ECUs in the replies to a request; what is none of them is counted."""
    digits = len(exchange.command) // 2 * 2  # one left over is the number of replies to wait for
    request, asked_ns = bytes.fromhex(exchange.command[:digits]), exchange.asked_ns or 0
    t_ns = (asked_ns + max(asked_ns, exchange.came_ns or 0)) // 2
    lines: list[str] = []
    for number, line in exchange.replies:
        text = "".join(_STATUS.sub("", line).split()).upper()
        if text == exchange.command:
            continue  # its echo
        if _HEX.fullmatch(text) or _INDEXED.fullmatch(text):
            lines.append(text)
        elif "<" in line:  # damaged, as the adapter says
            report.leave_out(number, "", line, _NOT_WHOLE)
    raw = _assembled(lines, request)
    for _ in range(raw.damaged):
        report.leave_out(exchange.line, "", exchange.command, _NOT_WHOLE)
    for ecu, data in raw.messages:
        if data:
            named = ENGINE_ECU if ecu == NAMELESS else ecu
            yield Heard(t_ns, "", named, data, request, exchange.line)


def _assembled(lines: list[str], request: bytes) -> Raw:
    """Messages of an adapter's lines; of ECU `NAMELESS` where they have no headers."""
    answers = f"{request[0] | 0x40:02X}" if request else ""
    encoded = [line.encode() for line in lines]
    if any(_ELEVEN.match(line) for line in lines):
        return assemble_can_lines(encoded, 11)
    if any(line.startswith("18DAF1") for line in lines):
        return assemble_can_lines(encoded, 29)
    if any(line[6:8] == answers and not line.startswith(answers) for line in lines):
        return assemble_older_lines(encoded, Form())
    return assemble_bare_can_lines(encoded)
