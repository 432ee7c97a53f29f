"""Before and after a repair, held against each other at equal operating points."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from logbench.analysis.bands import Bands
from logbench.analysis.comparison.cells import (
    MIN_SLOTS,
    LoadAxis,
    Slots,
    choose_axis,
    has_closed_loop,
    key_of,
    rules_for,
    slots_of,
)
from logbench.analysis.comparison.control import shown
from logbench.analysis.comparison.differences import MIN_SECONDS, Difference, difference_of
from logbench.analysis.comparison.identity import car_concerns, unit_mismatches
from logbench.analysis.comparison.quantities import (
    SURROUNDINGS,
    Quantity,
    of_compression,
    quantities_of,
)
from logbench.analysis.comparison.results import (
    Comparison,
    Concern,
    FindingResult,
    SignalResult,
    SignalVerdict,
)
from logbench.analysis.comparison.verdicts import compare_findings, one_more, rests_on, summary
from logbench.analysis.comparison.warmup_curves import compare_cranking, compare_warm_up
from logbench.analysis.conditions import WARM_DEGC
from logbench.analysis.grid import RecordingLike
from logbench.analysis.repeats import OF_CARS, Repeats
from logbench.analysis.run import run_checks
from logbench.analysis.statement import Quantity as Figure
from logbench.analysis.statement import joined, said, said_n
from logbench.analysis.view import View
from logbench.car.known import KnownCars
from logbench.errors import UsageError
from logbench.signals.units import difference_unit

MOST_TO_DRIVE = 6
REPAIR = ("before the repair", "after the repair")


def compare(
    before: Sequence[RecordingLike | View],
    after: Sequence[RecordingLike | View],
    bands: Bands | None = None,
    *,
    with_findings: bool = True,
    known: KnownCars | None = None,
    repeats: Repeats = OF_CARS,
) -> Comparison:
    """Hold one or more recordings of a car before a repair against those after it; a view that is
    there already is not made again.

    `with_findings` False leaves the checks out; `known`: cars met before, and answers given;
    `repeats`: how far the car's numbers move from one drive to the next, learned from its others.
    Raises `UsageError` when a side is empty. Never raises for recordings that do not compare: the
    result says so, and why.
    """
    if not before or not after:
        raise UsageError("A comparison takes at least one recording before and one after.")
    sides = [[x if isinstance(x, View) else View(x) for x in side] for side in (before, after)]
    concerns = car_concerns(sides[0], sides[1], known or KnownCars())
    repeats = repeats.of_engine(of_compression([v for side in sides for v in side]))
    findings: tuple[FindingResult, ...] = ()
    if with_findings:
        first, second = ([run_checks(v, bands, repeats=repeats) for v in s] for s in sides)
        findings = compare_findings(first, second, repeats)
    warm_up, cranking = compare_warm_up(sides[0], sides[1], repeats), compare_cranking(*sides)
    axis = choose_axis(*sides)
    quantities = quantities_of([v for side in sides for v in side], axis.signals if axis else ())
    if axis is None:
        why = "Record RPM and one of MAP, LOAD_ABS, LOAD_PCT or MAF on both drives."
        signals = tuple(_not_comparable(q, why) for q in quantities)
        slots: tuple[Slots, Slots] | None = None
        to_drive: tuple[str, ...] = ()
    else:
        closed = [any(has_closed_loop(v) for v in side) for side in sides]
        rules = rules_for(*sides)
        slots = (
            slots_of(sides[0], axis, quantities, rules),
            slots_of(sides[1], axis, quantities, rules),
        )
        to_drive = _to_drive(axis, *slots)
        concerns += _loop_concerns(sides, closed) + _surrounding_concerns(*slots)
        signals = _signals(sides, quantities, slots, closed, to_drive, repeats)
    result = Comparison(
        signals=signals,
        findings=findings,
        warm_up=warm_up,
        cranking=cranking,
        concerns=tuple(concerns),
        summary="",
        axis=axis,
        before_slots=slots[0] if slots else None,
        after_slots=slots[1] if slots else None,
        to_drive=to_drive,
        quantities=tuple(quantities),
    )
    rests = rests_on(signals, (len(before), len(after)))
    return replace(result, summary=summary(signals, findings, result.comparable, rests))


def _signals(
    sides: Sequence[Sequence[View]],
    quantities: Sequence[Quantity],
    slots: tuple[Slots, Slots],
    closed: Sequence[bool],
    to_drive: Sequence[str],
    repeats: Repeats,
) -> tuple[SignalResult, ...]:
    """Every quantity's verdict, with the list of changes controlled for false discoveries."""
    units = unit_mismatches(*sides)
    air = _air_differs(*slots)
    found: list[tuple[Difference | None, str]] = []
    for column, quantity in enumerate(quantities):
        why, difference = _obstacle(quantity, column, sides, slots, closed, units, air), None
        if not why:
            scatter, extra = repeats.of(quantity.key), _allowance(quantity, *slots)
            difference = difference_of(quantity, column, *slots, scatter, extra=extra)
            why = _too_little(difference, slots, to_drive)
        found.append((None if why else difference, why))
    compared = [(q, d) for q, (d, _) in zip(quantities, found, strict=True) if d]
    changed = iter(_shown(compared))
    per_cell = iter(_cells_shown([d for _, d in compared]))
    drives = len(sides[0]), len(sides[1])
    return tuple(
        _decided(quantity, difference, next(changed), next(per_cell), drives)
        if difference
        else _not_comparable(quantity, why)
        for quantity, (difference, why) in zip(quantities, found, strict=True)
    )


FUEL_FIRST = {"fuel": 0.8}
"""Share of the attention that the fuel trims have among all families of signals, as they have in
the trade (our choice): what looks for everything finds little."""


def _shown(compared: Sequence[tuple[Quantity, Difference]]) -> list[bool]:
    """Which quantities have changed. The parts of a total trim that is compared are not evidence of
    their own: they have changed if it has and they differ."""
    whole = any(q.kind == "trim" for q, _ in compared)
    apart = [whole and q.kind == "part" for q, _ in compared]
    families = [d.scatter.family for _, d in compared]
    p = [np.nan if part else d.p for part, (_, d) in zip(apart, compared, strict=True)]
    found = shown(p, families, FUEL_FIRST)
    trims = any(f for f, (q, _) in zip(found, compared, strict=True) if q.kind == "trim")
    return [
        trims and d.differs if part else f
        for part, f, (_, d) in zip(apart, found, compared, strict=True)
    ]


def _cells_shown(found: Sequence[Difference]) -> list[tuple[bool, ...]]:
    """Which cells of each quantity differ by themselves, among all cells of all of them."""
    p = [c.difference.p for d in found for c in d.cells]
    claimed = iter(shown(p, [d.scatter.family for d in found for _ in d.cells], FUEL_FIRST))
    return [tuple(next(claimed) for _ in d.cells) for d in found]


def _obstacle(
    quantity: Quantity,
    column: int,
    sides: Sequence[Sequence[View]],
    slots: tuple[Slots, Slots],
    closed: Sequence[bool],
    units: dict[str, str],
    air: str,
) -> str:
    """Why a quantity cannot be compared before any number is looked at; `` when it can."""
    if quantity.key in units:
        return units[quantity.key]
    for when, side, part, loop in zip(REPAIR, sides, slots, closed, strict=True):
        if all(quantity.make(view) is None for view in side):
            return said("Not recorded {when}: record it on both drives.", when=when)
        if not len(part):
            return _no_running(when, side)
        if quantity.needs_closed_loop and not loop:
            return said(
                "The fuel system was never in closed loop {when}, warm and steady.",
                when=when,
            )
        if not np.isfinite(part.values[:, column]).any():
            return said("Nothing usable {when}: no value while warm and steady.", when=when)
    return air if quantity.kind == "air" else ""


def _no_running(when: str, side: Sequence[View]) -> str:
    if not any(view.conditions.warm.any() for view in side):
        return said(
            "The engine was never warm {when}: drive until the coolant is at {warm:.0f degC}.",
            when=when,
            warm=WARM_DEGC,
        )
    return said(
        "Nothing was held steady while warm {when}: hold idle and steady cruise.",
        when=when,
    )


def _too_little(found: Difference, slots: tuple[Slots, Slots], to_drive: Sequence[str]) -> str:
    if found.overall is not None:
        return ""
    shared = min(found.before_s, found.after_s)
    told = said(
        "Too little overlap: {shared:.0f s} of steady running in {cells}, {least:.0f s}"
        " are needed on each side.",
        shared=shared,
        cells=_shared(len(found.cells)),
        least=MIN_SECONDS,
    )
    return said("{told} Drive: {cell}.", told=told, cell=to_drive[0]) if to_drive else told


def _shared(cells: int) -> str:
    return said_n("{n} shared cell", "{n} shared cells", cells)


def _not_comparable(quantity: Quantity, why: str) -> SignalResult:
    return SignalResult(
        quantity.key,
        quantity.title,
        quantity.unit,
        quantity.derived,
        SignalVerdict.NOT_COMPARABLE,
        why,
    )


def _decided(
    quantity: Quantity,
    found: Difference,
    changed: bool,
    cells: tuple[bool, ...],
    drives: tuple[int, int],
) -> SignalResult:
    overall = found.overall
    assert overall is not None  # else it is not comparable
    unit = difference_unit(quantity.unit)
    size = Figure(overall.value, unit, overall.half_width, signed=True)
    if changed:
        text = "Changed by {size} (95 %), over {cells}."
        if not found.differs:
            text = "Changed unevenly: by {size} (95 %) over {cells}, more in single ones."
        reason = said(text, size=size, cells=_shared(len(found.cells)))
    else:
        reason = said(
            "No change shown ({size}); one smaller than {missed} could have been missed.",
            size=size,
            missed=Figure(overall.detectable, unit),
        )
        if found.differs:
            by_chance = "Among so many signals, one this far from none is to be expected by chance."
            reason = joined([reason, by_chance], " ")
        reason = joined([reason, one_more(overall.detectable, drives, unit)], " ")
    return replace(
        _not_comparable(quantity, reason),
        verdict=SignalVerdict.CHANGED if changed else SignalVerdict.NO_CHANGE,
        before=found.before,
        after=found.after,
        change=overall.value,
        half_width=overall.half_width,
        detectable=overall.detectable,
        p=overall.p,
        scatter=found.scatter,
        before_s=found.before_s,
        after_s=found.after_s,
        cells=found.cells,
        cells_changed=cells,
    )


# --- what surrounds the car ---------------------------------------------------------------------


def _loop_concerns(sides: Sequence[Sequence[View]], closed: Sequence[bool]) -> list[Concern]:
    found = [
        Concern(
            said(
                "No warm, steady running in closed loop {when}: fuel trims do not compare,"
                " everything else is compared without regard to the loop.",
                when=when,
            )
        )
        for when, loop, side in zip(REPAIR, closed, sides, strict=True)
        if not loop and not of_compression(side)
    ]
    notes = {note for side in sides for view in side for note in view.conditions.notes}
    return found + [Concern(note) for note in sorted(notes)]


def _apart(before: Slots, after: Slots, name: str) -> float | None:
    first, second = before.surroundings.get(name), after.surroundings.get(name)
    return None if first is None or second is None else second - first


def _far_apart(before: Slots, after: Slots) -> Iterator[tuple[str, str, str, float]]:
    """Signal, name, unit and difference of what surrounds the car and differs too much."""
    for name, title, unit, most in SURROUNDINGS:
        apart = _apart(before, after, name)
        if apart is not None and abs(apart) > most:
            yield name, title, unit, apart


def _surrounding_concerns(before: Slots, after: Slots) -> list[Concern]:
    return [
        Concern(
            said(
                "The {title} differs: {before} before, {after} after.",
                title=title,
                before=Figure(before.surroundings[name], unit, decimals=0),
                after=Figure(after.surroundings[name], unit, decimals=0),
            )
        )
        for name, title, unit, _ in _far_apart(before, after)
    ]


def _air_differs(before: Slots, after: Slots) -> str:
    """Why quantities that hang on the air do not compare; `` when they do."""
    for name, title, unit, apart in _far_apart(before, after):
        if name in ("IAT", "BARO"):
            return said(
                "It hangs on the air, whose {title} differs by {apart}: repeat the drive in like"
                " weather or use the derived signals.",
                title=title.removeprefix("air "),
                apart=Figure(abs(apart), difference_unit(unit), decimals=0),
            )
    return ""


def _allowance(quantity: Quantity, before: Slots, after: Slots) -> float:
    """What the difference in the air's temperature and pressure alone can do, relative."""
    if quantity.kind != "air":
        return 0.0
    degc, kpa = (_apart(before, after, name) for name in ("IAT", "BARO"))
    by_degc = 0.034 if degc is None else abs(degc) / 293.0
    by_kpa = 0.03 if kpa is None else abs(kpa) / 100.0
    return float(np.hypot(by_degc, by_kpa))


def _to_drive(axis: LoadAxis, before: Slots, after: Slots) -> tuple[str, ...]:
    """Cells that one side has been in for longest and the other not, in words."""
    counts = [Counter(s.code.tolist()) for s in (before, after)]
    told: list[tuple[int, str]] = []
    for mine, other, when in zip(counts, reversed(counts), reversed(REPAIR), strict=True):
        for code, count in mine.items():
            if count >= 2 * MIN_SLOTS and other[code] < MIN_SLOTS:
                cell = key_of(code).text(axis)
                text = said("{cell} (missing {when})", cell=cell, when=when)
                told.append((count, text))
    return tuple(text for _, text in sorted(told, reverse=True)[:MOST_TO_DRIVE])
