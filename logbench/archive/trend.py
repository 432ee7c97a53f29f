"""One number over a car's life, and where it lies among other cars of the same displacement."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.archive.archive import Archive
from logbench.archive.find import Filter, where
from logbench.errors import UsageError

SAME_DISPLACEMENT_L = 0.06
"""Engines count as of the same displacement within this, either way: 1.8 l class. No source."""


@dataclass(frozen=True, slots=True)
class Point:
    """The number in one recording."""

    recording: str
    started: str
    car: str
    value: float
    uncertainty: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class Spread:
    """How a number is distributed over other cars; one value a car, its median."""

    cars: int
    quantiles: dict[str, float]
    """`5 %`, `25 %`, `50 %`, `75 %`, `95 %`; empty when there is no other car."""
    share_below: float | None
    """Share (0 to 1) of the other cars that lie below the value asked for; None without any."""


def trend_of(archive: Archive, number: str, car: str, *, exact: bool = False) -> list[Point]:
    """A number over a car's recordings, in order of time; see `parse_number`.

    `car`: part of its label or VIN, with `exact` the whole label. Only recordings whose findings
    are known count: sweep first. Raises `UsageError`, also where that fits several cars.
    """
    found = _points(archive, number, Filter(cars=(car,)) if exact else Filter(car=car))
    cars = sorted({point.car for point in found})
    if len(cars) > 1:
        raise UsageError(f"{car!r} fits several cars, name one of them: {'; '.join(cars)}.")
    return found


def unsure_of(archive: Archive, points: Sequence[Point]) -> int:
    """How many of a car's recordings give no VIN while others do: perhaps they are of another."""
    sql = "SELECT recording, vin FROM recordings WHERE car = ?"
    rows = archive.rows(sql, [points[0].car]) if points else []
    vins = {row["recording"]: row["vin"] for row in rows}
    known = [bool(vins.get(point.recording)) for point in points]
    return known.count(False) if any(known) else 0


def spread_of(
    archive: Archive,
    number: str,
    displacement_l: float,
    without_car: str = "",
    value: float | None = None,
) -> Spread:
    """The number's spread over cars of that displacement, each counted once; `value` is placed
    among them. `without_car`: the car that is asked about."""
    span = (displacement_l - SAME_DISPLACEMENT_L, displacement_l + SAME_DISPLACEMENT_L)
    found = _points(archive, number, Filter(displacement_l=span))
    by_car: dict[str, list[float]] = {}
    for point in found:
        if not without_car or point.car != without_car:
            by_car.setdefault(point.car, []).append(point.value)
    medians = np.sort([np.median(values) for values in by_car.values()])
    if not len(medians):
        return Spread(0, {}, None)
    levels = (5, 25, 50, 75, 95)
    quantiles = {f"{q} %": float(np.percentile(medians, q)) for q in levels}
    below = None if value is None else float((medians < value).mean())
    return Spread(len(medians), quantiles, below)


def _points(archive: Archive, number: str, chosen: Filter) -> list[Point]:
    check, subject, further = parse_number(number)
    sql, values = where(chosen)
    text = (
        "SELECT recording, coalesce(r.started, '') AS started, coalesce(r.car, '') AS car, "
        "f.value, f.uncertainty, coalesce(f.verdict, '') AS verdict, f.numbers "
        "FROM findings f JOIN recordings r USING (recording) "
        f'WHERE f."check" = ? AND contains(lower(f.subject), ?) AND {sql} '
        "ORDER BY started, recording"
    )
    out = []
    for row in archive.rows(text, [check, subject.lower(), *values]):
        numbers = row.pop("numbers")
        if further:
            row |= {"value": json.loads(numbers or "{}").get(further), "uncertainty": None}
        if isinstance(row["value"], int | float) and np.isfinite(row["value"]):
            row["value"] = float(row["value"])
            out.append(Point(**row))
    return out


def parse_number(text: str) -> tuple[str, str, str]:
    """`CHECK`, `CHECK:SUBJECT` or `CHECK:SUBJECT:NUMBER` as (check, part of subject, number)."""
    parts = [part.strip() for part in text.split(":")]
    if not parts[0] or len(parts) > 3:
        raise UsageError(f"'{text}' is no number: write CHECK:SUBJECT or CHECK:SUBJECT:NUMBER.")
    return (*parts, "", "")[0], (*parts, "", "")[1], (*parts, "", "")[2]
