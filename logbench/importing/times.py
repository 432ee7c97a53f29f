"""When each row was: numbers, clocks, calendar dates, epochs, or nothing at all."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from logbench.importing.cells import parse_column
from logbench.importing.model import TimeFormat, TimeMap
from logbench.importing.names import is_kind, take_apart
from logbench.importing.sheet import Column, Sheet
from logbench.signals.units import convert, known
from logbench.system.limits import CELL_CHARS

Seconds = npt.NDArray[np.float64]
Nanoseconds = npt.NDArray[np.int64]

_CLOCK = re.compile(
    r"(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2})(?:[.,:](\d{1,9}))?\s*([ap]\.?m\.?)?", re.IGNORECASE
)
_DATE = re.compile(r"(\d{1,4})[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ](\d{1,4})")
_ZONE = re.compile(r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})$", re.IGNORECASE)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_EPOCH_UNITS = (("s", 5e8, 5e9), ("ms", 5e11, 5e12), ("us", 5e14, 5e15), ("ns", 5e17, 5e18))
_UNIT_S = {"second": 1.0, "millisecond": 1e-3, "microsecond": 1e-6, "nanosecond": 1e-9,
           "minute": 60.0, "hour": 3600.0, "day": 86400.0}  # fmt: skip
_SPREADSHEET_ZERO = datetime(1899, 12, 30)


@dataclass(frozen=True, slots=True)
class RowTimes:
    """Times of a file's rows.

    `t_ns`: int64, shape (n,), of rows whose time could be read, from the file's own zero.
    `known`: bool, shape (n,): those rows. `zero`: the calendar instant of `t_ns` 0, with a zone
    where the file gives one; None where it is unknown.
    """

    t_ns: Nanoseconds
    known: npt.NDArray[np.bool_]
    zero: datetime | None = None


def find_time(sheet: Sheet, decimal: str) -> TimeMap:
    """The column that tells the time, and how; `none` where no column does."""
    scored = [(_score(sheet, k, column, decimal), k) for k, column in enumerate(sheet.columns)]
    found, place = max(scored, key=lambda item: (item[0].confidence, -item[1]))
    if found.confidence < 0.3:
        return TimeMap(why="no column tells the time: rows are taken as one second apart",
                       confidence=0.3)  # fmt: skip
    found.places = [place]
    if found.format == "clock":
        date = [k for k, c in enumerate(sheet.columns) if k != place and _is_date_column(c)]
        if date:
            order = _date_order(sheet.columns[date[0]].sample())
            found.places, found.format = [date[0], place], order
            found.why += f", with the date in '{sheet.columns[date[0]].name}'"
    _judge_spread(sheet, found, decimal)
    return found


def _is_date_column(column: Column) -> bool:
    cells = [cell for cell in column.sample(50) if cell]
    return bool(cells) and all(_DATE.fullmatch(cell) for cell in cells)


def _score(sheet: Sheet, place: int, column: Column, decimal: str) -> TimeMap:
    """How likely this column is the time; format and unit if it is."""
    named = is_kind(column.name, "time") or is_kind(column.name, "date")
    run_time = set(take_apart(column.name).words) >= {"run", "time"} and "mil" not in column.name
    cells = [cell for cell in column.sample() if cell]
    if not cells:
        return TimeMap()
    for format_, pattern in (("date", _DATE), ("clock", _CLOCK)):
        if sum(bool(pattern.match(cell)) for cell in cells) >= 0.9 * len(cells):
            chosen: TimeFormat = "clock"
            if format_ == "date":
                chosen = _date_order(cells)
                if not any(":" in cell for cell in cells):
                    return TimeMap()  # a date alone: the other half of a clock
            sure = 0.95 if named else 0.7 if format_ == "date" else 0.5
            return TimeMap(format=chosen, confidence=sure, why=f"'{column.name}' holds times")
    numbers = parse_column(np.array(cells, dtype=object), decimal).value
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) < 0.8 * len(cells) or not (named or run_time):
        return TimeMap()
    unit = sheet.units[place] if sheet.units else take_apart(column.name).unit
    found = _number_format(numbers, unit or "", named)
    if run_time and not named:
        found.confidence = min(found.confidence, 0.5)
        found.why = f"'{column.name}' counts the engine's run time"
    else:
        found.why = f"'{column.name}' is named as a time{found.why}"
    return found


def _number_format(numbers: Seconds, unit: str, named: bool) -> TimeMap:
    middle = float(np.median(numbers))
    for name, low, high in _EPOCH_UNITS:
        if low <= middle < high:
            return TimeMap(format="epoch", unit=name, confidence=0.9, why=", counted since 1970")
    if unit and known(unit) in _UNIT_S:
        return TimeMap(format="number", unit=unit, confidence=0.95, why=f" in {unit}")
    whole = bool(np.all(numbers == np.round(numbers)))
    if 30_000 < middle < 80_000 and not whole and np.ptp(numbers) < 40:
        return TimeMap(format="days", unit="s", confidence=0.8, why=", a spreadsheet's days")
    steps = np.diff(np.unique(numbers))
    if whole and len(steps) and float(np.min(steps)) >= 10:
        return TimeMap(format="number", unit="ms", confidence=0.6, why=", in milliseconds by size")
    return TimeMap(format="number", unit="s", confidence=0.8 if named else 0.5, why=", in seconds")


def _date_order(cells: list[str]) -> TimeFormat:
    """Which part of a date is which; day first where nothing tells (most of the world)."""
    parts = [match.groups() for match in map(_DATE.match, cells) if match]
    if any(len(first) == 4 for first, _, _ in parts):
        return "year first"
    if any(second.isdigit() and int(second) > 12 for _, second, _ in parts):
        return "month first"
    if any(re.search(r"[ap]m$", cell, re.IGNORECASE) for cell in cells) and all(
        int(first) <= 12 and "/" in cell for (first, _, _), cell in zip(parts, cells, strict=False)
    ):
        return "month first"
    return "day first"


def _judge_spread(sheet: Sheet, found: TimeMap, decimal: str) -> None:
    """Whole-second stamps on rows that came faster: spread them."""
    times = row_times(sheet, found, decimal)
    seconds = times.t_ns[times.known] / 1e9
    if len(seconds) < 10:
        return
    step = np.diff(seconds)
    same = float((step == 0).mean())
    if same > 0.1 and bool(np.all(np.mod(step, 1.0) == 0)):
        found.spread = True
        found.why += "; several rows share each whole second and are spread evenly"


def row_times(sheet: Sheet, time: TimeMap, decimal: str, thousands: str = "") -> RowTimes:
    """When each row was, as the mapping says; `spread` is not applied yet."""
    n = sheet.rows
    if time.format == "none" or not time.places:
        step = round(time.period_s * 1e9)
        return RowTimes(np.arange(n, dtype=np.int64) * step, np.ones(n, dtype=bool))
    columns = [sheet.columns[place] for place in time.places if place < len(sheet.columns)]
    if time.format in {"number", "epoch", "days"}:
        return _counted(columns[0], time, decimal, thousands)
    if time.format == "clock":
        return _clocked(columns[0])
    texts = [column.cells() for column in columns]
    joined = [" ".join(parts) for parts in zip(*texts, strict=True)]
    return _dated(joined, time.format)


def _counted(column: Column, time: TimeMap, decimal: str, thousands: str) -> RowTimes:
    if column.numbers is not None:
        numbers = column.numbers
    else:
        assert column.texts is not None
        numbers = parse_column(column.texts, decimal, thousands).value
    is_known = np.isfinite(numbers) & (np.abs(numbers) < 1e19)
    safe = np.where(is_known, numbers, 0.0)
    if time.format == "days":
        zero: datetime | None = _SPREADSHEET_ZERO
        seconds = safe * 86400.0
    else:
        zero = datetime(1970, 1, 1, tzinfo=UTC) if time.format == "epoch" else None
        seconds = convert(safe, time.unit, "s") if known(time.unit) != "second" else safe
    start = 0.0
    if zero is not None and is_known.any():
        start = float(np.floor(seconds[is_known].min()))
        zero = zero + timedelta(seconds=start)
    is_known &= np.abs(seconds - start) < 9e9
    t_ns = np.round(np.where(is_known, seconds - start, 0.0) * 1e9).astype(np.int64)
    return RowTimes(t_ns, is_known, zero)


def _clocked(column: Column) -> RowTimes:
    """Clock times; a step back by more than twelve hours is midnight."""
    texts = column.cells()
    nanoseconds = [_clock_ns(text) for text in texts]
    is_known = np.array([x is not None for x in nanoseconds], dtype=bool)
    t_ns = np.array([x or 0 for x in nanoseconds], dtype=np.int64)
    day = 86_400_000_000_000
    rows = np.flatnonzero(is_known)
    if len(rows) and t_ns[rows].max() < day:
        over = np.diff(t_ns[rows]) < -day // 2
        t_ns[rows[1:]] += np.cumsum(over) * day
    return RowTimes(t_ns, is_known)


def _clock_ns(text: str) -> int | None:
    match = _CLOCK.fullmatch(text.strip()) if len(text) <= CELL_CHARS else None
    if match is None:
        return None
    hours, minutes, seconds = int(match[1] or 0), int(match[2]), int(match[3])
    half = (match[5] or "").lower()[:1]
    if half:
        hours = hours % 12 + (12 if half == "p" else 0)
    if minutes > 59 and match[1]:
        return None
    fraction = int((match[4] or "0").ljust(9, "0"))
    return (hours * 3600 + minutes * 60 + seconds) * 1_000_000_000 + fraction


def _dated(texts: list[str], order: TimeFormat) -> RowTimes:
    made = {text: _instant(text, order) for text in dict.fromkeys(texts)}
    found = [made[text] for text in texts]
    is_known = np.array([x is not None for x in found], dtype=bool)
    first = min((x[0] for x in found if x is not None), default=None)
    if first is None:
        return RowTimes(np.zeros(len(texts), np.int64), is_known)
    t_ns = [0 if x is None else round((x[0] - first).total_seconds()) * 10**9 + x[1] for x in found]
    return RowTimes(np.array(t_ns, np.int64), is_known, first)


def _instant(text: str, order: TimeFormat) -> tuple[datetime, int] | None:
    """A calendar instant to the whole second, and its nanoseconds; in UTC where a zone is given,
    else naive. None when the text is none."""
    if len(text) > CELL_CHARS:
        return None
    text = text.strip()
    zone = _ZONE.search(text)
    if zone and ":" in text[: zone.start()]:
        text = text[: zone.start()]
    else:
        zone = None
    date = _DATE.match(text)
    if date is None:
        return None
    clock = _clock_ns(text[date.end() :].lstrip("Tt ,")) if text[date.end() :].strip() else 0
    a, b, c = date.groups()
    year, month, day = {"year first": (a, b, c), "month first": (c, a, b)}.get(order, (c, b, a))
    if not month.isdigit():
        name = month.lower()[:3]
        if name not in _MONTHS:
            return None
        month = str(_MONTHS.index(name) + 1)
    if clock is None or not (year.isdigit() and day.isdigit()):
        return None
    years = int(year) + (2000 if len(year) == 2 else 0)
    try:
        instant = datetime(years, int(month), int(day)) + timedelta(seconds=clock // 10**9)
        if zone:
            offset = zone[1] if zone[1][0] in "+-" else "+00:00"
            instant = datetime.fromisoformat(f"{instant.isoformat()}{offset}").astimezone(UTC)
        return instant, clock % 10**9
    except (ValueError, OverflowError):
        return None


def spread_even(t_ns: Nanoseconds) -> Nanoseconds:
    """Rows that share a coarse stamp, spread evenly up to the next stamp.

    Stamps must not fall. The rows before the first step (an engine that does not run yet) lie
    before it, and those after the last one behind it, at the file's usual distance.
    """
    index = np.arange(len(t_ns), dtype=np.float64)
    first = np.flatnonzero(np.diff(t_ns, prepend=np.iinfo(np.int64).min // 2) > 0)
    steps = first[1:] if len(first) > 1 and first[1] - first[0] > 1 else first
    if len(steps) < 2:
        return t_ns
    start, end = int(steps[0]), len(t_ns) - 1
    stamps = t_ns.astype(np.float64)
    usual = (stamps[end] - stamps[start]) / (end - start)
    count = np.diff(np.append(steps, end + 1))
    pause = np.append(np.diff(stamps[steps]), count[-1] * usual) / count
    pause[:-1] = np.minimum(pause[:-1], _MOST_USUAL * usual)  # a gap stays one
    owner = np.maximum(np.searchsorted(steps, np.arange(len(t_ns)), side="right") - 1, 0)
    out = stamps[steps][owner] + (index - steps[owner]) * pause[owner]
    out[:start] = stamps[start] + (index[:start] - start) * usual
    return np.asarray(np.round(out), dtype=np.int64)


_MOST_USUAL = 4.0
