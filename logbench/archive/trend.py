"""One number over a car's life, and where it lies among other cars of the same displacement."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.changes import Change, Life, State, life_of
from logbench.analysis.model import heading
from logbench.analysis.repeats import OF_CARS, Scatter
from logbench.analysis.statement import Quantity, said
from logbench.archive.archive import Archive
from logbench.archive.find import Filter, where
from logbench.archive.repeats import repaired_in
from logbench.errors import UsageError
from logbench.signals.numbers import digits, started_text

SAME_DISPLACEMENT_L = 0.06
"""Engines count as of the same displacement within this, either way: 1.8 l class. No source."""


@dataclass(frozen=True, slots=True)
class Point:
    """The number in one recording."""

    recording: str
    started: str
    car: str
    subject: str
    value: float
    uncertainty: float | None
    unit: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Spread:
    """How a number is distributed over other cars; one value a car, its median."""

    cars: int
    quantiles: dict[str, float]
    """`5 %`, `25 %`, `50 %`, `75 %`, `95 %`; empty when there is no other car."""
    share_below: float | None
    """Share (0 to 1) of the other cars that lie below the value asked for; None without any."""
    share_within: tuple[float, float] | None = None
    """The same of the ends of what the car is like, as one drive tells it."""

    @property
    def place(self) -> str:
        """`60 to 90`, in %: the share that lies below what the car is like."""
        ends = (f"{100.0 * share:.0f}" for share in self.share_within or ())
        return " to ".join(dict.fromkeys(ends))


@dataclass(frozen=True)
class Trend:
    """A number (see `parse_number`) over a car's life, and over the others of its displacement."""

    number: str
    car: str
    points: list[Point]
    life: Life | None = None
    """Where it changed, and the bands between; places are those of `points`. None: there are no
    points, several numbers, or dates are missing."""
    displacement_l: float | None = None
    spread: Spread | None = None
    unsure: int = 0
    """Of the points: those whose recordings give no VIN, while others of the car do."""

    @property
    def title(self) -> str:
        """What it is called."""
        check, subject, further = parse_number(self.number)
        return ": ".join(filter(None, (heading(check, subject), further)))

    @property
    def unit(self) -> str:
        """That of the values; of one of a finding's further numbers not known."""
        return self.points[-1].unit if self.points else ""

    def between(self, change: Change) -> tuple[str, str, str, str]:
        """Starts of drives: the last before and the first after a change, and the same of its 95 %
        interval."""
        places = (change.at - 1, change.at, change.first - 1, change.last)
        first, second, low, high = (self.points[at].started for at in places)
        return first, second, low, high

    @property
    def band(self) -> str:
        """In which band the car's number lies untouched now, and how that is known."""
        if self.life is None:
            return _NO_LIFE if self.points else ""
        state, scatter = self.life.states[-1], self.life.scatter
        learned = said("learned from {n} of its drives", n=scatter.drives)
        return said(
            "Untouched, 95 % of this car's drives give {band}: {how}.",
            band=self._levels(state.low, state.high, state),
            how=learned if scatter.drives else said("as of other cars, {b}", b=scatter.basis),
        )

    @property
    def changes(self) -> list[str]:
        """Where the number left its band, a sentence each."""
        life = self.life
        return [] if life is None else [self._said(life, change) for change in life.changes]

    def _said(self, life: Life, change: Change) -> str:
        before, after = (
            next(s.median for s in life.states if s.begin <= at < s.end)
            for at in (change.first - 1, change.last)
        )
        first, second, low, high = (started_text(at, 10) for at in self.between(change))
        return said(
            "Changed between {first} and {second} (95 %: {low} to {high}), from {levels}.",
            first=first,
            second=second,
            low=low,
            high=high,
            levels=self._levels(before, after, life.states[-1]),
        )

    def _levels(self, first: float, second: float, state: State) -> Quantity:
        decimals = digits(max(abs(first), abs(second)), state.half_width)
        return Quantity(first, self.unit, decimals=decimals, others=(second,))


_NO_LIFE = (
    "Where it changed is not looked for: the number is several, or the date of a drive is missing."
)


def trend_of(archive: Archive, number: str, car: str, *, exact: bool = False) -> Trend:
    """A number over a car's recordings, in order of time, the last held against other cars.

    `car`: part of its label or VIN, with `exact` the whole label. Only recordings whose findings
    are known count: sweep first. Raises `UsageError`, also where that fits several cars.
    """
    points = _points(archive, number, Filter(cars=(car,)) if exact else Filter(car=car))
    cars = sorted({point.car for point in points})
    if len(cars) > 1:
        raise UsageError(f"{car!r} fits several cars, name one of them: {'; '.join(cars)}.")
    if not points:
        return Trend(number, car, points)
    last = points[-1]
    sql = "SELECT displacement_l FROM recordings WHERE recording = ?"
    (row,) = archive.rows(sql, [last.recording])
    liters, life, found = row["displacement_l"], _life(archive, number, points), None
    if liters is not None:
        scatter = life.scatter if life else _scatter(number, last.subject)
        half = scatter.at(last.value).half_width(last.uncertainty)
        found = spread_of(archive, number, liters, last.car, last.value, half)
    return Trend(number, last.car, points, life, liters, found, _unsure(archive, points))


def _scatter(number: str, subject: str) -> Scatter:
    check, _, further = parse_number(number)
    return OF_CARS.of(further or heading(check, subject))


def _life(archive: Archive, number: str, points: Sequence[Point]) -> Life | None:
    numbers = {(point.subject, point.unit) for point in points}
    if len(numbers) > 1 or not all(point.started for point in points):
        return None
    doubts = [np.nan if p.uncertainty is None else p.uncertainty for p in points]
    values = np.array([point.value for point in points])
    repairs = repaired_in([point.recording for point in points], archive.index.roles)
    return life_of(_scatter(number, points[0].subject), values, np.array(doubts), repairs)


def _unsure(archive: Archive, points: Sequence[Point]) -> int:
    """How many of a car's recordings give no VIN while others do: perhaps they are of another."""
    sql = "SELECT recording, vin FROM recordings WHERE car = ?"
    vins = {row["recording"]: row["vin"] for row in archive.rows(sql, [points[0].car])}
    known = [bool(vins.get(point.recording)) for point in points]
    return known.count(False) if any(known) else 0


def spread_of(
    archive: Archive,
    number: str,
    displacement_l: float,
    without_car: str = "",
    value: float | None = None,
    half_width: float = 0.0,
) -> Spread:
    """The number's spread over cars of that displacement, each counted once; `value` is placed
    among them, give or take `half_width`. `without_car`: the car that is asked about."""
    span = (displacement_l - SAME_DISPLACEMENT_L, displacement_l + SAME_DISPLACEMENT_L)
    found = _points(archive, number, Filter(displacement_l=span))
    by_car: dict[str, list[float]] = {}
    for point in found:
        if not without_car or point.car != without_car:
            by_car.setdefault(point.car, []).append(point.value)
    medians = np.sort([np.median(values) for values in by_car.values()])
    if not len(medians):
        return Spread(0, {}, None)
    quantiles = quantiles_of(medians)
    if value is None:
        return Spread(len(medians), quantiles, None)
    ends = (value - half_width, value, value + half_width)
    low, below, high = (float((medians < end).mean()) for end in ends)
    return Spread(len(medians), quantiles, below, (low, high))


def quantiles_of(values: npt.NDArray[np.float64]) -> dict[str, float]:
    """As in `Spread`, of one value or more."""
    return {f"{q} %": float(np.percentile(values, q)) for q in (5, 25, 50, 75, 95)}


def _points(archive: Archive, number: str, chosen: Filter) -> list[Point]:
    check, subject, further = parse_number(number)
    sql, values = where(chosen)
    text = (
        "SELECT recording, coalesce(r.started, '') AS started, coalesce(r.car, '') AS car, "
        "coalesce(f.subject, '') AS subject, f.value, f.uncertainty, "
        "coalesce(f.unit, '') AS unit, coalesce(f.verdict, '') AS verdict, f.numbers "
        "FROM findings f JOIN recordings r USING (recording) "
        f'WHERE f."check" = ? AND contains(lower(f.subject), ?) AND {sql} '
        "ORDER BY started, recording"
    )
    out = []
    for row in archive.rows(text, [check, subject.lower(), *values]):
        numbers = row.pop("numbers")
        if further:
            value = json.loads(numbers or "{}").get(further)
            row |= {"value": value, "uncertainty": None, "unit": ""}
        if isinstance(row["value"], int | float) and np.isfinite(row["value"]):
            row["value"] = float(row["value"])
            out.append(Point(**row))
    whole = [point for point in out if point.subject.lower() == subject.lower()]
    return whole or out


def parse_number(text: str) -> tuple[str, str, str]:
    """`CHECK`, `CHECK:SUBJECT` or `CHECK:SUBJECT:NUMBER` as (check, part of subject, number)."""
    parts = [part.strip() for part in text.split(":")]
    if not parts[0] or len(parts) > 3:
        raise UsageError(f"'{text}' is not a number: write CHECK:SUBJECT or CHECK:SUBJECT:NUMBER.")
    return (*parts, "", "")[0], (*parts, "", "")[1], (*parts, "", "")[2]
