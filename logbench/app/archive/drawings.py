"""What is drawn of the numbers of a picture, in the units and colors of the look."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logbench.analysis.comparison.cells import RPM_EDGES, CellKey
from logbench.analysis.model import Verdict, heading
from logbench.analysis.statement import in_units
from logbench.app.archive.fleet_plot import Drawing, Mark
from logbench.app.archive.trend_plot import draw_life, draw_spread, times_of
from logbench.archive.pictures import (
    MAP_AXIS,
    AgainstKind,
    BeforeAndAfter,
    NumberByDate,
    OfNumber,
    TrimMap,
    WarmUpCurves,
)
from logbench.archive.trend import parse_number, quantiles_of
from logbench.job.times import parse_time
from logbench.signals.numbers import started_text, time_text
from logbench.signals.units import Units, unit_text
from logbench.words import tr, tr_n, word

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph
    from logbench.app.theme import Look
    from logbench.archive.overview import Row
    from logbench.archive.picture_rows import Numbers
    from logbench.archive.trend import Trend

Rows = dict[str, "Row"]
"""What is listed, by recording."""
_BINS = 40
_BELOW = 0.08
"""The car's own drives lie so far below zero, of the height."""


def drawing_of(numbers: Numbers, look: Look, rows: Rows) -> Drawing:
    """For all pictures but the map, which is a table."""
    makers: dict[type, Callable[[Numbers, Look, Rows], Drawing]] = {
        WarmUpCurves: _warm_up,
        AgainstKind: _kind,
        NumberByDate: _by_date,
        BeforeAndAfter: _before_and_after,
    }
    return makers[type(numbers.picture)](numbers, look, rows)


def drive_text(recording: str, rows: Rows) -> str:
    """Car and start of a drive that is listed."""
    row = rows.get(recording)
    if row is None:
        return recording
    car = row.car or tr("unnamed car")
    return f"{car}, {started_text(row.started)}"


def figure_text(numbers: Numbers, look: Look, value: float, half: float | None = None) -> str:
    """A value of a picture's number with its unit."""
    return look.units.figure(value, numbers.unit, half)


def _warm_up(numbers: Numbers, look: Look, rows: Rows) -> Drawing:
    table = numbers.table.combine_chunks()
    names = table["recording"].combine_chunks().dictionary_encode()
    which = names.indices.to_numpy(zero_copy_only=False).astype(np.intp)
    drives = names.dictionary.to_pylist()
    seconds = table["t_s"].to_numpy()
    degrees = look.units.array(table["ect_degc"].to_numpy(), "degC")
    last = np.append(which[1:] != which[:-1], True) if len(which) else np.empty(0, bool)
    cars = table["car"].filter(pa.array(last)).to_pylist()
    car = numbers.picture.car
    front = np.array([bool(car) and of == car for of in cars], dtype=bool)
    ends = dict(zip(drives, zip(seconds[last], table["ect_degc"].to_numpy()[last], strict=True),
                    strict=True))  # fmt: skip

    def said(drive: str) -> str:
        at, degc = ends[drive]
        text = look.units.figure(degc, "degC")
        return tr("{drive}: {value} after {time}", drive=drive_text(drive, rows), value=text,
                  time=time_text(at))  # fmt: skip

    unit = unit_text(look.units.unit("degC"))
    return Drawing(
        seconds / 60.0, degrees, which, [_one(drive, said) for drive in drives],
        front, curves=True,
        titles=(tr("minutes since the recording began"), tr("coolant, {unit}", unit=unit)),
    )  # fmt: skip


def _one(drive: str, said: Callable[[str], str]) -> Mark:
    return Mark((drive,), lambda: said(drive))


def _kind(numbers: Numbers, look: Look, rows: Rows) -> Drawing:
    """Cars as dots on each other, the car's own drives in a row below."""
    found = numbers.table.to_pylist()
    values = look.units.array(np.array([r["value"] for r in found], float), numbers.unit)
    front = np.array([row["this_car"] for row in found], dtype=bool)
    heights = _stacked(values, front)
    y = np.where(front, -_BELOW * max(heights.max(initial=0.0), 4.0), heights)
    of_car: dict[str, list[str]] = {}
    for row in numbers.each.to_pylist():
        of_car.setdefault(row["car"], []).append(row["recording"])

    def mark(row: dict[str, Any]) -> Mark:
        value = figure_text(numbers, look, row["value"])
        if row["this_car"]:
            name = drive_text(row["recording"], rows)
            return Mark((row["recording"],), lambda: f"{name}: {value}")
        n = row["drives"]
        said = tr_n("{car}: {value}, {n} drive", "{car}: {value}, {n} drives", n, car=row["car"],
                    value=value)  # fmt: skip
        return Mark(tuple(of_car.get(row["car"], ())), lambda: said)

    def under(graph: Graph) -> Sequence[float]:
        if len(values[~front]) > 1:
            draw_spread(graph, look, quantiles_of(values[~front]), across=False)
        return (1.1 * max(heights.max(initial=0.0), 4.0),)

    accent = look.theme.trace(1)
    return Drawing(
        values, y, np.arange(len(found)), [mark(row) for row in found], front,
        colors=[accent] * len(found), under=under, counted=True,
        titles=(_number_title(numbers, look), tr("other cars")),
    )  # fmt: skip


def _stacked(values: np.ndarray, front: np.ndarray) -> np.ndarray:
    """How high each value that is not in front lies on those of about its size, from 1."""
    heights = np.zeros(len(values))
    span = float(np.ptp(values)) if len(values) else 0.0
    step = span / _BINS or 1.0
    counts: dict[int, int] = {}
    for place in np.flatnonzero(~front):
        size = int((values[place] - values.min()) // step)
        counts[size] = counts.get(size, 0) + 1
        heights[place] = counts[size]
    return heights


def _by_date(numbers: Numbers, look: Look, rows: Rows) -> Drawing:
    found = [row for row in numbers.table.to_pylist() if parse_time(row["started"]) is not None]
    x, values, colors = _points(numbers, look, found)
    front = np.array([row["this_car"] for row in found], dtype=bool)
    trend = numbers.trend

    def under(graph: Graph) -> Sequence[float]:
        ends = _life(graph, look, trend, numbers.unit) if trend is not None else []
        return [*ends, *_doubts(graph, look, numbers.unit, found, x, values, front)]

    marks = [_drive_mark(numbers, look, row, rows) for row in found]
    return Drawing(
        x, values, np.arange(len(found)), marks, front, colors=colors, under=under, dated=True,
        titles=("", unit_text(look.units.unit(numbers.unit))),
    )  # fmt: skip


def _life(graph: Graph, look: Look, trend: Trend, unit: str) -> list[float]:
    if trend.life is None or not trend.points:
        return []
    x, dated = times_of(trend)
    return draw_life(graph, look, trend.life, x, unit) if dated else []


def _before_and_after(numbers: Numbers, look: Look, rows: Rows) -> Drawing:
    table = [row for row in numbers.table.to_pylist() if parse_time(row["started"]) is not None]
    found = [row for row in table if row["kind"] == "drive"]
    x, values, colors = _points(numbers, look, found)
    front = np.ones(len(found), dtype=bool)
    parts = np.array([row["part"] for row in found], dtype=int)

    def under(graph: Graph) -> Sequence[float]:
        import pyqtgraph as pg

        for part in np.unique(parts):
            here = parts == part
            level = float(np.median(values[here]))
            pen = pg.mkPen(look.theme.accent, width=2)
            graph.plot([x[here].min(), x[here].max()], [level, level], pen=pen)
        return _doubts(graph, look, numbers.unit, found, x, values, front)

    marks = [_drive_mark(numbers, look, row, rows) for row in found]
    flags: dict[str, list[dict[str, Any]]] = {}
    for row in table:
        if row["kind"] != "drive":
            flags.setdefault(row["started"][:10], []).append(row)
    marks += [_done_mark(n, done, rows) for n, done in enumerate(flags.values(), 1)]
    numbered = {_seconds(done[0]["started"]): f"{n}" for n, done in enumerate(flags.values(), 1)}
    return Drawing(
        x, values, np.arange(len(found)), marks, np.append(front, np.zeros(len(flags), bool)),
        colors=colors, under=under, dated=True, flags=numbered,
        titles=("", unit_text(look.units.unit(numbers.unit))),
    )  # fmt: skip


def _done_mark(number: int, done: list[dict[str, Any]], rows: Rows) -> Mark:
    """Of what was done on one day."""
    texts = [f"{word(row['kind'])}: {row['text']}".rstrip(": ") for row in done]
    said = f"{number}  {started_text(done[0]['started'], 10)}: {'; '.join(texts)}"
    folders = tuple(f"{row['job']}/" for row in done if row["job"])
    drives = tuple(name for name in rows if folders and name.startswith(folders))
    return Mark(drives, lambda: said)


def _points(
    numbers: Numbers, look: Look, found: list[dict[str, Any]]
) -> tuple[np.ndarray, np.ndarray, list[Any]]:
    x = np.array([_seconds(row["started"]) for row in found], dtype=float)
    values = look.units.array(np.array([row["value"] for row in found], float), numbers.unit)
    colors = [look.theme.verdict(Verdict(row["verdict"] or "not judged")) for row in found]
    return x, values, colors


def _seconds(started: str) -> float:
    when = parse_time(started)
    return when.timestamp() if when is not None else float("nan")


def _drive_mark(numbers: Numbers, look: Look, row: dict[str, Any], rows: Rows) -> Mark:
    def said() -> str:
        value = figure_text(numbers, look, row["value"], row["uncertainty"])
        verdict = word(row["verdict"] or "not judged")
        return f"{drive_text(row['recording'], rows)}: {value}, {verdict}"

    return Mark((row["recording"],), said)


def _doubts(
    graph: Graph,
    look: Look,
    unit: str,
    found: list[dict[str, Any]],
    x: np.ndarray,
    values: np.ndarray,
    front: np.ndarray,
) -> list[float]:
    """What a drive in front says of itself, as a line through its point; returns their ends."""
    import pyqtgraph as pg

    halves = np.array([row["uncertainty"] or 0.0 for row in found], dtype=float)
    halves *= abs(look.units.line(unit)[0])
    shown = front & (halves > 0.0) & np.isfinite(halves)
    low, high = (values - halves)[shown], (values + halves)[shown]
    if len(low):
        pairs = np.column_stack([low, high]).ravel()
        pen = pg.mkPen(look.theme.muted, width=2)
        curve = pg.PlotCurveItem(np.repeat(x[shown], 2), pairs, connect="pairs", pen=pen)
        graph.addItem(curve, ignoreBounds=True)
    return [*low, *high]


def _number_title(numbers: Numbers, look: Look) -> str:
    assert isinstance(numbers.picture, OfNumber)
    check, subject, _ = parse_number(numbers.picture.number)
    unit = unit_text(look.units.unit(numbers.unit))
    return ", ".join(filter(None, (heading(check, subject), unit)))


# --- in words ---


def sentence_of(numbers: Numbers, units: Units) -> str:
    """What a picture shows, in words."""
    picture, trend = numbers.picture, numbers.trend
    drives = pc.count_distinct(numbers.each["recording"]).as_py()
    told = tr_n("{n:,} drive.", "{n:,} drives.", drives)
    if isinstance(picture, TrimMap):
        return " ".join((told, tr("Median in %, and drives; each drive counts once in a cell.")))
    if isinstance(picture, AgainstKind):
        others = sum(not row["this_car"] for row in numbers.table.to_pylist())
        told = tr_n("{n:,} other car of this kind of engine and displacement is listed.",
                    "{n:,} other cars of this kind of engine and displacement are listed.",
                    others)  # fmt: skip
        where = (tr("Below them, each drive of {car}.", car=picture.car) if others
                 else tr("In front: {car}.", car=picture.car))  # fmt: skip
        return f"{told} {where}"
    if isinstance(picture, BeforeAndAfter):
        table = numbers.table.to_pylist()
        n = numbers.each["car"].to_pylist().count(picture.car)
        told = tr_n("{n:,} drive of {car}.", "{n:,} drives of {car}.", n, car=picture.car)
        dated = sum(row["kind"] == "drive" for row in table)
        told = " ".join(filter(None, (told, _undated(n - dated))))
        done = dict.fromkeys(row["started"][:10] for row in table if row["kind"] != "drive")
        lines = tr_n("Line {n} is what was done to it; lines between are medians.",
                     "Lines 1 to {n} are what was done to it; those between are medians.",
                     len(done))  # fmt: skip
        return " ".join((told, lines)) if done else told
    if isinstance(picture, NumberByDate) and trend is not None:
        said = (*trend.changes, trend.band) if numbers.table.num_rows else ()
        moves = (in_units(text, units) for text in said)
        undrawn = drives - len(set(numbers.table["recording"].to_pylist()))  # it holds the dated
        return " ".join(filter(None, (told, _undated(undrawn), *moves)))
    if picture.car:
        return " ".join((told, tr("In front: {car}.", car=picture.car)))
    return told


def _undated(n: int) -> str:
    """How many of the drives a picture over dates cannot draw; empty where it draws all."""
    if n <= 0:
        return ""
    return tr_n("{n:,} of them has no date and is not drawn.",
                "{n:,} of them have no date and are not drawn.", n)  # fmt: skip


# --- the map ---


def key_of_cell(row: dict[str, Any]) -> CellKey:
    """The operating cell of a row of the map, or of a drive's part in it."""
    return CellKey(RPM_EDGES.index(row["rpm_from"]), round(row["load_from"] / MAP_AXIS.width))
