"""When each row was: numbers, clocks, calendar dates, epochs, or nothing at all."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from logbench.importing.cells import own_marks, parse_column
from logbench.importing.model import TimeFormat, TimeMap
from logbench.importing.sheet import Column, Sheet
from logbench.signals.units import convert, known
from logbench.system.limits import CELL_CHARS

Seconds = npt.NDArray[np.float64]
Nanoseconds = npt.NDArray[np.int64]

CLOCK = re.compile(
    r"(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2})(?:[.,:](\d{1,9}))?\s*([ap]\.?m\.?)?", re.IGNORECASE
)
DATE = re.compile(r"(\d{1,4})[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ](\d{1,4})")
_ZONE = re.compile(r"\s*(Z|UTC|GMT|(?:UTC|GMT)?[+-]\d{2}(?::?\d{2})?)$", re.IGNORECASE)
_BASIC = re.compile(r"(\d{4})(\d\d)(\d\d)[Tt _-]?(\d\d)(\d\d)(\d\d)(?=\D|$)")
"""20260301T101530: ISO 8601, basic format."""
_SPOKEN = re.compile(
    r"(?:[A-Za-z]{3,9},? )?([A-Za-z]{3,9}) +(\d{1,2}),? +(\d\d:\d\d:\d\d\S*)((?: \S{1,9})?) (\d{4})"
)
"""Sun Mar 01 10:15:30 GMT+01:00 2026: as the C library's `ctime` and others after it write."""
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_SPREADSHEET_ZERO = datetime(1899, 12, 30)
_S = 1_000_000_000
_HOUR, _DAY = 3600 * _S, 86_400 * _S
_AT_ONCE = 60 * _S
"""A clock that is put back or on goes on within this."""


@dataclass(frozen=True, slots=True)
class RowTimes:
    """Times of a file's rows.

    `t_ns`: int64, shape (n,), of rows whose time could be read, from the file's own zero.
    `known`: bool, shape (n,): those rows. `zero`: the calendar instant of `t_ns` 0, with a zone
    where the file gives one; None where it is unknown. `notes`: what was supposed, as sentences.
    """

    t_ns: Nanoseconds
    known: npt.NDArray[np.bool_]
    zero: datetime | None = None
    notes: tuple[str, ...] = ()


def plain_date(text: str) -> str:
    """A date and time with its parts in the order in which most are written."""
    text = text.strip()[: CELL_CHARS + 1]
    if basic := _BASIC.match(text):
        a, b, c, d, e, f = basic.groups()
        return f"{a}-{b}-{c} {d}:{e}:{f}{text[basic.end() :]}"
    if spoken := _SPOKEN.fullmatch(text):
        month, day, clock, zone, year = spoken.groups()
        return f"{day}-{month}-{year} {clock}{zone if _ZONE.fullmatch(zone) else ''}"
    return text


def date_order(cells: list[str]) -> TimeFormat:
    """Which part of a date is which; day first where nothing tells (most of the world)."""
    parts = [match.groups() for match in map(DATE.match, map(plain_date, cells)) if match]
    if any(len(first) == 4 for first, _, _ in parts):
        return "year first"
    if any(second.isdigit() and int(second) > 12 for _, second, _ in parts):
        return "month first"
    spans = _days_spanned(parts)
    if spans and spans[0] != spans[1]:
        return "day first" if spans[0] < spans[1] else "month first"
    if any(re.search(r"[ap]m$", cell, re.IGNORECASE) for cell in cells) and all(
        int(first) <= 12 and "/" in cell for (first, _, _), cell in zip(parts, cells, strict=False)
    ):
        return "month first"
    return "day first"


def _days_spanned(parts: list[tuple[str, ...]]) -> tuple[int, int] | None:
    """From the first to the last date, read day first and month first: the days of one log lie
    nearer to each other than they do where days are read as months. None where it cannot be."""
    if not parts or not all(text.isdigit() for each in parts for text in each):
        return None
    found = [(int(a), int(b), int(year) + 2000 * (len(year) == 2)) for a, b, year in set(parts)]
    try:
        day_first = [date(year, b, a) for a, b, year in found]
        month_first = [date(year, a, b) for a, b, year in found]
    except ValueError:
        return None
    first, other = ((max(days) - min(days)).days for days in (day_first, month_first))
    return first, other


def row_times(
    sheet: Sheet,
    time: TimeMap,
    decimal: str,
    thousands: str = "",
    groups: npt.NDArray[np.int64] | None = None,
) -> RowTimes:
    """When each row was, as the mapping says; `spread` is not applied yet. `groups`: number of the
    clock that each row goes by, shape (n,); None: of one."""
    n = sheet.rows
    if time.format == "none" or not time.places:
        step = round(time.period_s * 1e9)
        return RowTimes(np.arange(n, dtype=np.int64) * step, np.ones(n, dtype=bool))
    columns = [sheet.columns[place] for place in time.places if place < len(sheet.columns)]
    if time.format in {"number", "epoch", "days"}:
        return _counted(columns[0], time, decimal, thousands)
    groups = np.zeros(n, np.int64) if groups is None else groups
    if time.format == "clock":
        return _clocked(columns[0], time.unit, groups)
    texts = [column.cells() for column in columns]
    joined = [" ".join(parts) for parts in zip(*texts, strict=True)]
    return _dated(joined, time.format, groups)


def _counted(column: Column, time: TimeMap, decimal: str, thousands: str) -> RowTimes:
    if column.numbers is not None:
        numbers = column.numbers
    else:
        assert column.texts is not None
        if own := own_marks(column.sample(), decimal):
            decimal, thousands = own.decimal, own.thousands
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


# --- clocks, and the ways in which they begin anew ---


@dataclass(frozen=True, slots=True)
class _Turn:
    """A clock goes on at 0 after `period`: where it falls by at least `least`, and what is missing
    to the whole period is at most `late` (ns)."""

    period: int
    least: int
    late: int = _DAY


def _clocked(column: Column, unit: str, groups: npt.NDArray[np.int64]) -> RowTimes:
    """Clock times. `unit`: of the last part of a clock of two, `s` or `min`."""
    made = {text: _clock_ns(text, unit) for text in dict.fromkeys(column.cells())}
    nanoseconds = [made[text] for text in column.cells()]
    is_known = np.array([x is not None for x in nanoseconds], dtype=bool)
    t_ns = np.array([x or 0 for x in nanoseconds], dtype=np.int64)
    seen = t_ns[is_known]
    if not len(seen) or seen.max() >= _DAY:
        return RowTimes(t_ns, is_known)
    turn = _Turn(_DAY, _DAY // 2)
    halves = any(re.search(r"m\.?$", text.strip(), re.IGNORECASE) for text in made)
    if seen.max() < _HOUR and unit == "s":
        turn = _Turn(_HOUR, _HOUR // 2)  # minutes and seconds only
    elif not halves and seen.min() >= _HOUR and seen.max() < 13 * _HOUR:
        turn = _Turn(12 * _HOUR, 11 * _HOUR)  # 12:59:59 to 1:00:00
    return RowTimes(_unwound(t_ns, is_known, groups, turn), is_known)


def _unwound(
    t_ns: Nanoseconds, is_known: npt.NDArray[np.bool_], groups: npt.NDArray[np.int64], turn: _Turn
) -> Nanoseconds:
    """The same times, going on where the clock began anew."""
    out = t_ns.copy()
    for group in np.unique(groups):
        rows = np.flatnonzero(is_known & (groups == group))
        step = np.diff(t_ns[rows], prepend=t_ns[rows[:1]])
        over = (step <= -turn.least) & (step + turn.period >= 0) & (step + turn.period <= turn.late)
        out[rows] += np.cumsum(over) * turn.period
    return out


def _clock_ns(text: str, unit: str = "s") -> int | None:
    match = CLOCK.fullmatch(text.strip()) if len(text) <= CELL_CHARS else None
    if match is None:
        return None
    hours, minutes, seconds = int(match[1] or 0), int(match[2]), int(match[3])
    if unit == "min" and not match[1]:
        hours, minutes, seconds = minutes, seconds, 0
    half = (match[5] or "").lower()[:1]
    if half:
        hours = hours % 12 + (12 if half == "p" else 0)
    if (minutes > 59 and match[1]) or seconds > 60:  # 60: a leap second
        return None
    fraction = int((match[4] or "0").ljust(9, "0"))
    return (hours * 3600 + minutes * 60 + seconds) * _S + fraction


# --- calendar dates ---


def _dated(texts: list[str], order: TimeFormat, groups: npt.NDArray[np.int64]) -> RowTimes:
    made = {text: _instant(text, order) for text in dict.fromkeys(texts)}
    found = [made[text] for text in texts]
    is_known = np.array([x is not None for x in found], dtype=bool)
    zones = {x[0].tzinfo is None for x in made.values() if x is not None}
    if len(zones) > 1:  # a zone in some rows only: none is known
        made = {t: x and (x[0].replace(tzinfo=None), x[1]) for t, x in made.items()}
        found = [made[text] for text in texts]
    first = min((x[0] for x in found if x is not None), default=None)
    if first is None:
        return RowTimes(np.zeros(len(texts), np.int64), is_known)
    t_ns = np.array(
        [0 if x is None else round((x[0] - first).total_seconds()) * _S + x[1] for x in found],
        np.int64,
    )
    if first.tzinfo is not None:
        return RowTimes(t_ns, is_known, first)
    stands = _unwound(t_ns, is_known, groups, _Turn(_DAY, _DAY // 2, _AT_ONCE))
    back = _unwound(stands, is_known, groups, _Turn(_HOUR, _HOUR // 2, _AT_ONCE))
    on = _put_on(back, is_known, groups, first)
    notes = [note for note, changed in (
        ("The date stands still at midnight: the rows behind it are of the next day.",
         not np.array_equal(stands, t_ns)),
        ("The clock is put back by an hour, as when summer time ends: the drive goes on.",
         not np.array_equal(back, stands)),
        ("The clock is put on by an hour, as when summer time begins: the drive goes on.",
         not np.array_equal(on, back)),
    ) if changed]  # fmt: skip
    return RowTimes(on, is_known, first, tuple(notes))


_SUNDAY = 6


def _put_on(
    t_ns: Nanoseconds,
    is_known: npt.NDArray[np.bool_],
    groups: npt.NDArray[np.int64],
    first: datetime,
) -> Nanoseconds:
    """The same times, without an hour that a clock skips at 0, 1 or 2 o'clock of a Sunday, as it is
    in most of the world (IANA time zone database, from memory)."""
    out = t_ns.copy()
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    since_midnight = round((first - midnight).total_seconds() * _S)
    for group in np.unique(groups):
        rows = np.flatnonzero(is_known & (groups == group))
        step = np.diff(t_ns[rows], prepend=t_ns[rows[:1]])
        for k in np.flatnonzero((step > _HOUR) & (step <= _HOUR + _AT_ONCE)):
            before = int(t_ns[rows[k - 1]]) + since_midnight
            day = midnight + timedelta(days=before // _DAY)
            hour = before % _DAY // _HOUR
            crosses = before % _HOUR + int(step[k]) - _HOUR >= _HOUR
            if day.weekday() == _SUNDAY and hour <= 2 and crosses:
                out[rows[k:]] -= _HOUR
    return out


def _instant(text: str, order: TimeFormat) -> tuple[datetime, int] | None:
    """A calendar instant to the whole second, and its nanoseconds; in UTC where a zone is given,
    else naive. None when the text is none."""
    if len(text) > CELL_CHARS:
        return None
    text = plain_date(text)
    zone = _ZONE.search(text)
    if zone and ":" in text[: zone.start()]:
        text = text[: zone.start()]
    else:
        zone = None
    found = DATE.match(text)
    if found is None:
        return None
    clock = _clock_ns(text[found.end() :].lstrip("Tt ,")) if text[found.end() :].strip() else 0
    a, b, c = found.groups()
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
        instant = datetime(years, int(month), int(day)) + timedelta(seconds=clock // _S)
        if zone:
            offset = re.sub("^(UTC|GMT)", "", zone[1].upper())
            offset = offset if offset[:1] in {"+", "-"} else "+00:00"
            offset = offset if len(offset) > 3 else f"{offset}:00"
            instant = datetime.fromisoformat(f"{instant.isoformat()}{offset}").astimezone(UTC)
        return instant, clock % _S
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
