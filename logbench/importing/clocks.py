"""Which column tells the time: found by what it does, not by what it is called.

A clock goes on in every row or stands for a few, by steps as even as the rows are, at a rate at
which a car can be asked, and other clocks beside it agree. A name only gives a unit, tells a signal
that is known from a clock that nobody named, and decides between columns that do the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.importing.cells import own_marks, parse_column
from logbench.importing.model import LongMap, TimeMap
from logbench.importing.names import ALIKE, is_kind, matches, take_apart
from logbench.importing.sheet import Column, Sheet
from logbench.importing.times import CLOCK, DATE, date_order, plain_date, row_times
from logbench.signals.units import convert, known

Seconds = npt.NDArray[np.float64]
Groups = npt.NDArray[np.int64]

_SURE = 0.3
"""What a column must reach to be taken for the clock."""
_READABLE = 0.8
_RATE_HZ = (1e-3, 1e3)
"""Rows in a second that a log of a car has: from one in a quarter of an hour (what trackers send at
rest) to a thousand (the fastest buses)."""
_FASTEST_HZ = 20.0
"""Rows in a second by a clock that does not tell tenths: more would share each of its seconds than
a car answers requests (common practice)."""
_USUAL_HZ = 2.0
"""Of most logs by far; where nothing else tells the unit, the one nearest to it is taken."""
_EPOCHS = (("s", 5e8, 5e9), ("ms", 5e11, 5e12), ("us", 5e14, 5e15), ("ns", 5e17, 5e18))
"""Counts since 1970 that are a date from 1985 to 2128, by unit."""
_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_TIME_UNITS = {"second", "millisecond", "microsecond", "nanosecond", "minute", "hour", "day"}
_PAUSE_S = 1800.0
_WINDOWS = 20
_STRETCH = 10_000
_SHORT = 8
"""Rows below which a column that is not named as one cannot be told to be a clock."""


@dataclass(slots=True)
class _Clock:
    """A column read as a clock: `seconds`, shape (n,) in order of groups, NaN where unknown."""

    time: TimeMap
    seconds: Seconds
    fixed: bool = True
    """The unit is written or follows from the form; else it was supposed."""


def find_time(
    sheet: Sheet, decimal: str, groups: Groups | None = None, long: LongMap | None = None
) -> TimeMap:
    """The column that tells the time, and how; `none` where no column does. `groups`: number of
    the clock that each row goes by, shape (n,), as several cars in one file have; None: of one.
    `long`: of a file with a sample in each row."""
    groups = np.zeros(sheet.rows, np.int64) if groups is None else groups
    rows = _looked_at(groups)
    clocks: list[_Clock] = []
    standing = []
    signals = 1 if long is None else len(set(sheet.columns[long.name].sample(1000)))
    for place, column in enumerate(sheet.columns):
        if (long is not None and place == long.name) or is_other(column.name):
            continue
        for clock in _readings(sheet, place, decimal, groups, rows, _USUAL_HZ * signals):
            clock.time.confidence *= _goes(clock, groups[rows])
            clocks.append(clock)
        if is_kind(column.name, "time") and sheet.rows > 1 and len(set(column.sample())) == 1:
            standing.append(column.name)
    _compare(clocks, groups[rows])
    best = max(clocks, key=lambda clock: clock.time.confidence, default=None)
    if best is None or best.time.confidence < _SURE:
        why = "no column tells the time: rows are taken as one second apart"
        return TimeMap(why=why, confidence=0.3, standing=standing[0] if standing else "")
    found = _finest(best, clocks, groups[rows]).time
    _add_date(sheet, found)
    _judge_spread(found, _seconds(sheet, found, decimal, groups, rows), groups[rows])
    return found


def _looked_at(groups: Groups) -> Groups:
    """The rows by which clocks are judged, group after group: of a long file the first and some
    from the middle on, in a row."""
    order = np.argsort(groups, kind="stable")
    middle = len(order) // 2
    if middle <= _STRETCH:
        return order
    return np.concatenate([order[:_STRETCH], order[middle : middle + _STRETCH]])


# --- what a column may be ---


def is_other(name: str) -> bool:
    """Whether a header names what is not a time and no signal: an ECU, a unit, a car, …"""
    return any(is_kind(name, kind) for kind in _OTHERS)


_OTHERS = ("name", "value", "unit", "ecu", "car", "driver", "trip")


def _readings(
    sheet: Sheet, place: int, decimal: str, groups: Groups, rows: Groups, usual_hz: float
) -> Iterator[_Clock]:
    """The column read as a clock, in each way in which it can be; `confidence` is what its form is
    worth. `usual_hz`: rows in a second."""
    column = sheet.columns[place]
    cells = [cell for cell in column.sample(60) if cell]
    named = is_kind(column.name, "time")
    meant = _meant(column.name)
    part = is_kind(column.name, "part of a time") and all(map(str.isdigit, cells))
    if not cells or part or meant not in {"", "RUNTM"}:
        return
    written = sheet.units[place] if sheet.units else take_apart(column.name).unit
    written = written or ("s" if meant == "RUNTM" else "")
    if written and known(written) is not None and known(written) not in _TIME_UNITS:
        return
    worth = 0.5 if meant == "RUNTM" else 1.0 if named else 0.85
    said = f"'{column.name}'"
    if meant == "RUNTM":
        said += ", the engine's run time,"
    if column.texts is not None and (form := _written_form(cells)) is not None:
        form.places = [place]
        two_parts = form.format == "clock" and all(cell.count(":") == 1 for cell in cells)
        for unit in ("s", "min") if two_parts else ("s",):
            chosen = form.model_copy(update={"unit": unit, "confidence": form.confidence * worth})
            chosen.why = f"{said} holds times of day" if unit == "min" else f"{said} holds times"
            seconds = _seconds(sheet, chosen, decimal, groups, rows)
            if two_parts and unit == "s" and not _at_a_rate(seconds, _FASTEST_HZ):
                chosen.confidence *= 0.5  # hours and minutes, then
            yield _Clock(chosen, seconds)
    elif _may_rise(column, decimal, rows):
        numbers = _numbers(column, decimal, rows)
        for clock in _counts(numbers, written, usual_hz, named or bool(meant)):
            clock.time.places = [place]
            clock.time.confidence *= worth
            clock.time.why = f"{said} goes on as a clock{clock.time.why}"
            yield clock


def _meant(name: str) -> str:
    """The signal that a header is the whole name of, in whatever unit; `` for none, and for a
    header of times."""
    found = () if is_kind(name, "time") else matches(name)
    return found[0].signal if found and found[0].confidence >= ALIKE else ""


def _written_form(cells: list[str]) -> TimeMap | None:
    """Dates with times, or clocks; None for what is neither."""
    if all(map(DATE.match, map(plain_date, cells))):
        if not any(":" in plain_date(cell) for cell in cells):
            return None  # a date alone: the other half of a clock
        return TimeMap(format=date_order(cells), confidence=0.97)
    if sum(bool(CLOCK.fullmatch(cell)) for cell in cells) >= 0.9 * len(cells):
        return TimeMap(format="clock", confidence=0.93)
    dates = sum(bool(DATE.match(plain_date(cell)) and ":" in plain_date(cell)) for cell in cells)
    if dates >= 0.9 * len(cells):
        return TimeMap(format=date_order(cells), confidence=0.95)
    return None


def _seconds(sheet: Sheet, time: TimeMap, decimal: str, groups: Groups, rows: Groups) -> Seconds:
    columns = [sheet.columns[place].part(rows) for place in time.places]
    own = time.model_copy(update={"places": list(range(len(columns)))})
    times = row_times(Sheet(columns, sheet.lines[rows]), own, decimal, groups=groups[rows])
    return np.where(times.known, times.t_ns / 1e9, np.nan)


def _may_rise(column: Column, decimal: str, order: Groups) -> bool:
    """A quick look at a few stretches: numbers that do not fall more often than a clock does."""
    starts = np.linspace(0, max(0, len(order) - 12), 8).astype(np.intp)
    rows = order[np.unique(starts[:, None] + np.arange(min(12, len(order))))]
    values = _numbers(column, decimal, rows)
    step = np.diff(values[np.isfinite(values)])
    if len(order) < 100 or not np.any(step):
        return len(order) < 100
    falls, rises = int((step < 0).sum()), int((step > 0).sum())
    return min(falls, rises) <= 0.3 * (falls + rises)


def _numbers(column: Column, decimal: str, rows: Groups) -> Seconds:
    if column.numbers is not None:
        return column.numbers[rows]
    assert column.texts is not None
    own = own_marks(column.sample(60), decimal)
    return parse_column(column.texts[rows], own.decimal if own else decimal).value


def _counts(numbers: Seconds, unit: str, usual_hz: float, named: bool) -> Iterator[_Clock]:
    """Numbers as a count since 1970, in the unit that is written, as a spreadsheet's days, or in
    the unit that fits."""
    finite = numbers[np.isfinite(numbers)]
    if len(finite) < _READABLE * len(numbers) or not len(finite):
        return
    middle = float(np.median(finite))
    for name, low, high in _EPOCHS:
        if low <= middle < high and _at_a_rate(numbers * _UNIT_S[name]):
            time = TimeMap(format="epoch", unit=name, confidence=0.95, why=", counted since 1970")
            yield _Clock(time, numbers * _UNIT_S[name])
            return
    if unit and known(unit) in _TIME_UNITS:
        time = TimeMap(format="number", unit=unit, confidence=0.95, why=f" in {unit}")
        yield _Clock(time, convert(numbers, unit, "s"))
        if _at_a_rate(convert(numbers, unit, "s")):
            return
    whole = bool(np.all(finite == np.round(finite)))
    if 30_000 < middle < 80_000 and not whole and np.ptp(finite) < 40:
        days = TimeMap(format="days", confidence=0.8, why=", a spreadsheet's days")
        yield _Clock(days, numbers * 86400.0)
    elif named or len(numbers) >= _SHORT:
        yield _in_fitting_unit(numbers, usual_hz, whole, named)


def _in_fitting_unit(numbers: Seconds, usual_hz: float, whole: bool, named: bool) -> _Clock:
    """A count of no known unit. Fractions are taken for seconds; whole numbers, for what brings the
    rows nearest to a log's usual rate, and for a count of the rows where they step by one."""
    steps = np.abs(np.diff(numbers[np.isfinite(numbers)]))
    step = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 1.0
    units = list(_UNIT_S) if whole else ["s"]
    unit = min(units, key=lambda u: abs(np.log10(step * _UNIT_S[u] * usual_hz)))
    worth, why = (0.8 if named else 0.6), f", in {unit} by its steps"
    if whole and not named and bool(np.all(steps == 1)):
        worth, why = 0.35, ", if it does not only count the rows"
    elif whole and unit != "s" and abs(np.log10(step * usual_hz)) < 2:
        worth *= 0.8  # seconds are not out of the question
    time = TimeMap(format="number", unit=unit, confidence=worth, why=why)
    return _Clock(time, numbers * _UNIT_S[unit], fixed=False)


# --- what a clock does ---


def _steps(seconds: Seconds, groups: Groups) -> Seconds:
    """From row to row within a group, shape (m,), rising as a whole."""
    there = np.isfinite(seconds)
    step = np.diff(seconds[there])[np.diff(groups[there]) == 0]
    newest_first = (step < 0).sum() > 4 * (step > 0).sum()
    return np.asarray(-step if newest_first else step)


def _at_a_rate(seconds: Seconds, most_hz: float = _RATE_HZ[1]) -> bool:
    step = np.abs(np.diff(seconds[np.isfinite(seconds)]))
    span = float(step[step < _PAUSE_S].sum())
    return len(step) == 0 or span == 0 or _RATE_HZ[0] <= len(step) / span <= most_hz


def _goes(clock: _Clock, groups: Groups) -> float:
    """How much it goes as a clock does, 0 to 1: readable, rising (or beginning anew where it
    began), at a rate that is possible, in many small and even steps."""
    seconds = clock.seconds
    readable = float(np.isfinite(seconds).mean()) if len(seconds) else 0.0
    step = _steps(seconds, groups)
    if len(step) == 0:
        return readable  # a single row
    rises, falls = int((step > 0).sum()), int((step < 0).sum())
    pauses = step >= _PAUSE_S
    ahead = step[(step > 0) & ~pauses]
    if rises == 0:
        return 0.0
    possible = 1.0 if _at_a_rate(seconds) else 0.6
    begins = seconds[np.isfinite(seconds)][0] + 5 * np.median(ahead) if len(ahead) else 0.0
    anew = (np.diff(seconds, prepend=seconds[:1]) < 0) & (seconds <= begins)
    odd = max(0, falls - int(anew.sum()))
    rising = possible * max(0.0, 1.0 - 2.0 * odd / len(step))
    fine = 1.0 / (1.0 + 0.3 * np.log10(len(step) / rises))
    longest = np.asarray(groups == np.bincount(groups).argmax())
    own = _steps(seconds[longest], groups[longest])
    even = _even(np.where((own < 0) | (own >= _PAUSE_S), 0.0, own))
    return readable * rising * float(fine) * (max(0.75, even) if clock.fixed and even else even)


def _even(step: Seconds) -> float:
    """1 where every stretch of rows takes as long as another, 0 where the most stand still, near it
    where hardly two are alike: a distance or a temperature rises, too, but by what the car does.
    What stands still at first, as the run time of an engine does, is not looked at. 0.5 where there
    are too few steps to tell."""
    moves = np.flatnonzero(step > 0)
    windows = min(_WINDOWS, len(moves) // _STAMPS)
    if windows < 2:
        return 1.0 if len(step) < 2 * _WINDOWS else 0.5
    parts = np.array_split(step[moves[0] :], windows)
    low, middle, high = np.quantile([part.sum() for part in parts], [0.1, 0.5, 0.9])
    if middle <= 0:
        return 0.0
    return max(0.1, 1.0 - float((high - low) / middle))


_STAMPS = 4
"""Steps that a stretch has at least: one more or less makes no clock uneven."""


# --- several clocks ---


def _compare(clocks: list[_Clock], groups: Groups) -> None:
    """Clocks that go alike are surer; one of unknown unit takes that in which it goes so."""
    for clock in clocks:
        others = [c for c in clocks if c.time.places != clock.time.places and c.fixed]
        ratios = [_ratio(clock, other, groups) for other in others if other.time.confidence > 0.2]
        alike = [ratio for ratio in ratios if ratio is not None]
        if not clock.fixed:
            clock.fixed = any(_take_unit(clock, ratio) for ratio in alike)
            alike = [1.0] if clock.fixed else []
        if any(abs(ratio - 1) < _ALIKE for ratio in alike):
            clock.time.confidence = 1 - (1 - clock.time.confidence) * 0.6


def _finest(best: _Clock, clocks: list[_Clock], groups: Groups) -> _Clock:
    """Of the clocks that go as the best one does, one that tells the time much finer; a date is
    kept, whatever it tells."""
    if best.time.format not in {"number", "clock"}:
        return best
    stamps = {id(clock): len(np.unique(clock.seconds)) for clock in clocks}
    finest = max(clocks, key=lambda clock: stamps[id(clock)])
    ratio = _ratio(best, finest, groups)
    alike = ratio is not None and abs(ratio - 1) < _ALIKE and finest.time.confidence >= _SURE
    return finest if alike and stamps[id(finest)] > _MUCH_FINER * stamps[id(best)] else best


_MUCH_FINER = 3
_ALIKE = 0.02
"""By which two clocks of one drive may differ: a part of it, for stamps are coarse."""


def _take_unit(clock: _Clock, ratio: float) -> bool:
    """Whether there is a unit in which a clock goes `ratio` times as fast as in its own; it is then
    in that unit."""
    own = _UNIT_S[clock.time.unit]
    for unit, size in (*_UNIT_S.items(), ("min", 60.0), ("h", 3600.0)):
        if abs(size / own / ratio - 1) < _ALIKE:
            clock.seconds = clock.seconds / own * size
            clock.time.unit = unit
            clock.time.why = f"column {clock.time.places[0] + 1}, in {unit}, goes as another clock"
            return True
    return False


def _ratio(clock: _Clock, other: _Clock, groups: Groups) -> float | None:
    """How often as much passes on the other clock; None where they do not go alike at all."""
    there = np.flatnonzero(np.isfinite(clock.seconds) & np.isfinite(other.seconds))
    if len(there) < 2 * _WINDOWS:
        return None
    ends = there[np.linspace(0, len(there) - 1, _WINDOWS + 1).astype(np.intp)]
    own, others = np.diff(clock.seconds[ends]), np.diff(other.seconds[ends])
    good = (np.diff(groups[ends]) == 0) & (own > 0) & (others > 0)
    if good.sum() < _WINDOWS // 2:
        return None
    ratio = others[good] / own[good]
    middle = float(np.median(ratio))
    return middle if float(np.median(np.abs(ratio / middle - 1))) < _ALIKE else None


# --- what goes with the one that was found ---


def _add_date(sheet: Sheet, found: TimeMap) -> None:
    """The date beside a time of day, where a column of its own has it."""
    place = found.places[0]
    if found.format != "clock" or _meant(sheet.columns[place].name) == "RUNTM":
        return
    date = [k for k, c in enumerate(sheet.columns) if k != place and _is_date_column(c)]
    if date:
        both = zip(sheet.columns[date[0]].sample(), sheet.columns[place].sample(), strict=True)
        order = date_order([" ".join(cells) for cells in both if all(cells)])
        found.places, found.format = [date[0], place], order
        found.why += f", with the date in '{sheet.columns[date[0]].name}'"


def _is_date_column(column: Column) -> bool:
    cells = [cell for cell in column.sample(50) if cell]
    return bool(cells) and all(DATE.fullmatch(cell) for cell in cells)


def _judge_spread(found: TimeMap, seconds: Seconds, groups: Groups) -> None:
    """Whole-second stamps on rows that came faster: spread them."""
    step = _steps(seconds, groups)
    if len(step) < 9:
        return
    same = float((step == 0).mean())
    if same > 0.1 and bool(np.all(np.mod(step, 1.0) == 0)):
        found.spread = True
        found.why += "; several rows share each whole second and are spread evenly"
