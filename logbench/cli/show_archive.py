"""How recordings of an archive, and what is known of them, look in a terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from logbench.analysis.model import heading
from logbench.archive.columns import Cell, cells
from logbench.archive.overview import Judged
from logbench.archive.repeats import Habit
from logbench.cli.show import console, say, table, text
from logbench.signals.numbers import started_text
from logbench.signals.units import METRIC

if TYPE_CHECKING:
    import pyarrow as pa

    from logbench.archive.likeness import Alike
    from logbench.archive.trend import Point, Spread, Trend
    from logbench.cases.archive import Details

_WIDE = 110
"""Columns of a terminal that has room for counts of samples and notes."""
_SHORT, _NARROW = 22, 12
"""Columns of text that is never cut, and of longer text where there is little room."""


def recordings(found: Sequence[dict[str, Any]], judged: Mapping[str, Judged]) -> None:
    """Rows of the view `recordings` with the columns that there is room for, and what the findings
    of each come to: the worst, and behind it how many parts were not judged."""

    def worst(row: dict[str, Any]) -> str:
        verdict, _, lacking = judged.get(row["recording"], Judged())
        return f"{verdict} ({lacking})" if verdict and lacking else verdict

    wide = console().width >= _WIDE
    shown: list[tuple[Cell, Callable[[dict[str, Any]], str]]] = [
        (cell, partial(column.text, cell, units=METRIC))
        for column, cell in cells("terminal")
        if wide or not cell.spacious
    ]
    shown.append((Cell("terminal", 6, "worst", widest="within (88)"), worst))
    shown.sort(key=lambda pair: pair[0].order)
    out = table()
    for cell, _ in shown:
        width = len(cell.widest)
        if not width:
            out.add_column(cell.title, overflow="fold", min_width=20)
        elif width <= _SHORT:
            out.add_column(cell.title, no_wrap=True, min_width=width)
        else:
            out.add_column(cell.title, no_wrap=True, max_width=width if wide else _NARROW)
    for row in found:
        out.add_row(*(text(words(row)) for _, words in shown))
    console().print(out)
    if any(row.lacking for row in judged.values()):
        say("In brackets: parts of the checks that were not judged.")


def recording(
    details: Details, signals: Sequence[dict[str, Any]], findings: Sequence[dict[str, Any]]
) -> None:
    """Facts of one recording, and as much of its signals and findings as is wanted."""
    for key, value in details.facts.items():
        if value not in (None, "", False):
            say(f"{key:<16}{value}")
    out = table("signal", "ECU", "samples", "lowest", "highest", "unit")
    for signal in signals:
        bounds = ["" if signal[k] is None else f"{signal[k]:g}" for k in ("minimum", "maximum")]
        out.add_row(text(signal["signal"]), text(signal["ecu"]), f"{signal['samples']:,}", *bounds,
                    text(signal["unit"]))  # fmt: skip
    console().print(out)
    for finding in findings:
        if finding["problem"]:
            say(finding["problem"], "yellow")
        else:
            line = f"{finding['verdict']:<11}{heading(finding['check'], finding['subject'])}. "
            say(line + str(finding["reason"]))
    judged = [finding["verdict"] != "not judged" for finding in details.findings]
    say(f"Judged {sum(judged)} of {len(judged)}.")


def rows(answer: pa.Table, of: int) -> None:
    """Rows of a query's answer, `of` so many."""
    out = table(*answer.column_names)
    for row in answer.to_pylist():
        out.add_row(*(text(_cell(value)) for value in row.values()))
    console().print(out)
    say(f"{of:,} rows")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def habits(found: Sequence[Habit]) -> None:
    """How far numbers move between drives."""
    if not found:
        say("No car has three drives that were checked: 'archive sweep' checks them.")
        return
    wide = console().width >= _WIDE
    out = table()
    out.add_column("number", overflow="fold", min_width=20)
    several = any(one.cars > 1 for one in found)
    cars = ["cars"] * several
    for name in (*cars, "drives", "median", "between", "±", "within", "changes"):
        out.add_column(name, no_wrap=True, justify="right")
    if wide:
        out.add_column("from")
    for one in found:
        within = "" if one.within is None else f"{one.within:.3g}"
        basis = [text(one.basis)] if wide else []
        out.add_row(
            text(one.number), *[str(one.cars)] * several, str(one.drives),
            f"{one.median:.4g} {one.unit}".strip(), f"{one.between:.3g}", f"{one.half_width:.3g}",
            within, str(one.changes or ""), *basis,
        )  # fmt: skip
    console().print(out)
    say(
        "Between: standard deviation between drives of one car that nobody touched; ±: half width "
        "of 95 % of single drives; within: what one drive says of itself, in the median."
    )


def trend(found: Trend, points: Sequence[Point]) -> None:
    """A number over a car's life (as many `points` as are wanted), where it changed, its band, its
    place among other cars."""
    out = table("started", "car", "value", "±", "verdict", "recording")
    for point in points:
        doubt = "" if point.uncertainty is None else f"{point.uncertainty:.3g}"
        out.add_row(started_text(point.started), text(point.car), f"{point.value:.4g}", doubt,
                    point.verdict, text(point.recording))  # fmt: skip
    console().print(out)
    if found.unsure:
        say(f"Recordings that give no VIN: {found.unsure}; perhaps of another car.", "yellow")
    for sentence in (*found.changes, found.band):
        say(sentence)
    if found.displacement_l is not None and found.spread is not None:
        _spread(found.spread, found.displacement_l, found.points[-1].value)


def _spread(found: Spread, liters: float, value: float) -> None:
    """The place of a value among other cars of that displacement."""
    if not found.cars:
        say(f"No other car of {liters:.1f} L is known to hold it against.")
        return
    quantiles = ", ".join(f"{name} {x:.4g}" for name, x in found.quantiles.items())
    say(f"{found.cars} other cars of {liters:.1f} L: {quantiles}.")
    say(f"By its last value, {value:.4g}, this car lies above {found.place} % of them.")


def similar(found: Sequence[Alike]) -> None:
    """Recordings by their distance from one."""
    if not found:
        say("No other drive has operating points in common with it.")
        return
    out = table("distance", "cells in common", "recording", "by quantity")
    for one in found:
        parts = ", ".join(f"{name} {x:.2f}" for name, x in one.parts.items())
        out.add_row(f"{one.distance:.2f}", str(one.common_cells), text(one.recording), text(parts))
    console().print(out)
