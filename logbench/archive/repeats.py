"""How far a car moves from one drive to the next, learned from its drives in an archive.

Which drives are of the car the same-car check says; one that gives too little to tell is of the car
whose name it bears. Drives with a repair between them are never held against each other: jobs say
where one was, and where a number changed by itself, that number is learned on either side. The same
samples count once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from logbench.analysis.changes import LEAST_DRIVES, Life, life_of
from logbench.analysis.comparison.daily import CellMean, DayNumbers, learn, of_compression
from logbench.analysis.repeats import OF_CARS, Repeats, Scatter
from logbench.analysis.statistics import NORMAL_95, Values
from logbench.archive.days import load_days
from logbench.archive.find import Filter
from logbench.archive.findings import checks_version
from logbench.archive.index import cache_folder, kept_recordings, kept_roles
from logbench.archive.store import entries_of, open_store
from logbench.car.identity import Identity, Match
from logbench.car.known import KnownCars
from logbench.errors import UsageError
from logbench.signals.catalog import catalog

if TYPE_CHECKING:
    from pathlib import Path

    from logbench.archive.archive import Archive
    from logbench.recording.model import Facts


@dataclass(frozen=True)
class Drive:
    """One drive of an archive: its path, its start as lists have it, whose it is, its numbers and
    the units of findings by their headings."""

    recording: str
    started: str
    car: str
    sha256: str
    identity: Identity
    units: Mapping[str, str]
    numbers: DayNumbers


@dataclass(frozen=True)
class Repeated:
    """One number of a car's drives (a signal's: what it is in the middle of each drive's cells):
    how many there are, the half width of a single drive's own 95 % interval as a median (None: not
    known), its life, and its scatter, learned within the life's states."""

    name: str
    drives: int
    within: float | None
    life: Life
    scatter: Scatter


# --- which drives ---


def drives_in(recordings: pa.Table, cache: Path) -> list[Drive]:
    """Those of rows of the view `recordings` of which numbers are kept, in order of time (those
    without a date only where none has one); of the same samples only one."""
    days = load_days(cache, checks_version(), entries_of(recordings))
    names = ("recording", "started", "car", "samples_sha256")
    rows = zip(*(recordings[name].to_pylist() for name in names), strict=True)
    found: dict[str, Drive] = {}
    for name, started, car, sha256 in sorted(rows, key=lambda row: (row[1] or "", row[0])):
        if name in days:
            drive = Drive(name, started or "", car or "", sha256 or "", *days[name])
            found.setdefault(drive.sha256 or name, drive)
    dated = [drive for drive in found.values() if drive.started]
    return dated or list(found.values())


def repaired_in(recordings: Sequence[str], roles: pa.Table) -> list[int]:
    """Places of those, in order of time, that were the first after a repair that a job knows of."""
    place = {recording: at for at, recording in enumerate(recordings)}
    first: dict[str, int] = {}
    for row in roles.to_pylist():
        if row["role"] == "after" and row["recording"] in place:
            at = place[row["recording"]]
            first[row["job"]] = min(first.get(row["job"], at), at)
    return sorted({at for at in first.values() if at})


# --- what they teach ---


def lives_of(
    drives: Sequence[Drive], repairs: Collection[int], known: Repeats = OF_CARS
) -> list[Repeated]:
    """Every number of `LEAST_DRIVES` drives or more of one car, in order of time, on top of what is
    `known` without them."""
    known, found = known.of_engine(_of_compression(drives)), []
    for name, days in _by_number(drives).items():
        if len(days) >= LEAST_DRIVES:
            places = list(days)
            here = {int(np.searchsorted(places, repair)) for repair in repairs}
            found.append(_repeated(name, list(days.values()), here, known.of(name)))
    return found


def _of_compression(drives: Sequence[Drive]) -> bool:
    return of_compression([drive.numbers for drive in drives])


def learned_of(lives: Iterable[Repeated]) -> Repeats:
    """What of it is the car's own."""
    return Repeats({one.name: one.scatter for one in lives if one.scatter.drives})


def _by_number(drives: Sequence[Drive]) -> dict[str, dict[int, DayNumbers]]:
    """Name to place of a drive to what the drive has of that number. A finding in another unit than
    the last one is another number: what it is held against was stated meanwhile."""
    units = {name: unit for drive in drives for name, unit in drive.units.items()}
    findings: dict[str, dict[int, list[tuple[str, float, float]]]] = {}
    cells: dict[str, dict[int, list[CellMean]]] = {}
    for place, drive in enumerate(drives):
        for row in drive.numbers.findings:
            if drive.units.get(row[0]) != units.get(row[0]):
                continue
            findings.setdefault(row[0], {}).setdefault(place, []).append(row)
        for cell in drive.numbers.cells:
            cells.setdefault(cell.number, {}).setdefault(place, []).append(cell)
    told = {
        name: {place: DayNumbers(tuple(rows), ()) for place, rows in days.items()}
        for name, days in findings.items()
    }
    return told | {
        name: {place: DayNumbers((), tuple(rows)) for place, rows in days.items()}
        for name, days in cells.items()
    }


def _repeated(
    name: str, days: Sequence[DayNumbers], repairs: Collection[int], scatter: Scatter
) -> Repeated:
    values, halves = _series(days)
    life = life_of(scatter, values, halves, repairs)
    for state in life.states if scatter.known else ():
        learned = learn(days[state.begin : state.end], Repeats({name: scatter}))
        scatter = learned.own.get(name, scatter)
    scatter = scatter if scatter.known else life.scatter
    own = halves[np.isfinite(halves)]
    within = float(np.median(own)) if len(own) else None
    return Repeated(name, len(days), within, life, scatter)


def _series(days: Iterable[DayNumbers]) -> tuple[Values, Values]:
    """One value a drive with the half width within the drive: a finding's, or how far a signal is
    from what is usual in the cells it was in, on average, about its usual value."""
    days = list(days)
    if days[0].findings:
        _, values, halves = zip(*(day.findings[0] for day in days), strict=True)
        return np.array(values, dtype=np.float64), np.array(halves, dtype=np.float64)
    places = [{(cell.axis, cell.cell): cell for cell in day.cells} for day in days]
    by_cell: dict[tuple[str, int], list[float]] = {}
    for cells in places:
        for key, cell in cells.items():
            by_cell.setdefault(key, []).append(cell.mean)
    usual = {key: float(np.median(means)) for key, means in by_cell.items()}
    middle = float(np.median(list(usual.values())))
    away = [np.mean([c.mean - usual[key] for key, c in cells.items()]) for cells in places]
    error = [
        NORMAL_95 * float(np.sqrt(sum(c.variance for c in cells.values()))) / len(cells)
        for cells in places
    ]
    return middle + np.array(away), np.array(error)


# --- what an archive knows of its cars ---


@dataclass(frozen=True)
class Habit:
    """How far one number moves between drives of a car, or of all: of so many `drives` of `cars`
    the median since the last change (of several cars: the median of theirs), the standard deviation
    between drives of one car, the same as the half width of 95 % of single drives, and what a drive
    says of itself (None: not known). `changes` were found and taken out; `basis`: what it rests
    on."""

    number: str
    unit: str
    cars: int
    drives: int
    median: float
    between: float
    half_width: float
    within: float | None
    changes: int
    basis: str


def habits_of(archive: Archive, car: str = "") -> list[Habit]:
    """Of every number that some car has `LEAST_DRIVES` drives of. `car`: part of its name or VIN;
    empty: all cars that have a name, each about its own level. Only what was checked counts. Raises
    `UsageError` where it fits several cars."""
    drives = drives_in(archive.find(Filter(car=car)), archive.cache)
    by_car: dict[str, list[Drive]] = {}
    for drive in drives:
        by_car.setdefault(drive.car, []).append(drive)
    if car and len(by_car) > 1:
        raise UsageError(f"{car!r} fits several cars, name one of them: {'; '.join(by_car)}.")
    known = dict.fromkeys((False, True), OF_CARS)
    found: dict[str, list[Repeated]] = {}
    for name, own in by_car.items():
        if name:
            repairs = repaired_in([drive.recording for drive in own], archive.index.roles)
            engine = _of_compression(own)
            lives = lives_of(own, repairs, known[engine])
            known[engine] = Repeats({**known[engine].own, **learned_of(lives).own})
            for one in lives:
                found.setdefault(one.name, []).append(one)
    units = {entry.acronym: entry.unit for entry in catalog()} | {"VE": "%"}
    units |= {name: unit for drive in drives for name, unit in drive.units.items()}
    return [_habit(units.get(name, ""), lives) for name, lives in sorted(found.items())]


def _habit(unit: str, lives: Sequence[Repeated]) -> Habit:
    last, count = lives[-1], sum(one.drives for one in lives)
    median = float(np.median([one.life.states[-1].median for one in lives]))
    within = [one.within for one in lives if one.within is not None]
    learned = f"{last.scatter.drives} drives, with " if last.scatter.drives else ""
    return Habit(
        number=last.name,
        unit=unit,
        cars=len(lives),
        drives=count,
        median=median,
        between=last.scatter.at(median).single,
        half_width=last.scatter.at(median).half_width(),
        within=float(np.median(within)) if within else None,
        changes=sum(len(one.life.changes) for one in lives),
        basis=learned + last.scatter.basis,
    )


# --- for whom they are learned ---


def repeats_in(
    place: str, cars: KnownCars, drives: Sequence[Facts], after: Sequence[Facts] = ()
) -> Repeats:
    """How the car of some `drives`, and of those `after` a repair, moves, learned from its other
    drives in the archive at `place`, as it was when it was last looked through and checked: nothing
    is read but what is kept of it.

    Nothing is learned where there is no archive. Raises `ArchiveError` for a place that is not
    understood, or no folder.
    """
    cache = cache_folder(open_store(place)) if place else None
    recordings = kept_recordings(cache) if cache else None
    if cache is None or recordings is None:
        return OF_CARS
    return learn_of(recordings, kept_roles(cache), cache, cars, drives, after)


def learn_of(
    recordings: pa.Table,
    roles: pa.Table,
    cache: Path,
    cars: KnownCars,
    drives: Sequence[Facts],
    after: Sequence[Facts] = (),
) -> Repeats:
    """The same of an archive's `recordings` and `roles` of jobs' recordings (see `Index`)."""
    own = _own_drives(recordings, cache, [*drives, *after], cars)
    repairs = repaired_in([drive.recording for drive in own], roles)
    repaired = min((facts.started for facts in after if facts.started), default="")
    since = [at for at, drive in enumerate(own) if repaired and drive.started >= repaired]
    return learned_of(lives_of(own, {*repairs, *since[:1]}))


def _own_drives(
    recordings: pa.Table, cache: Path, here: Sequence[Facts], cars: KnownCars
) -> list[Drive]:
    """Drives of the same car, but not the same drives."""
    known = {facts.samples_sha256 for facts in here} - {""}
    names = {facts.vehicle.called for facts in here} - {""}
    vins: dict[str, bool] = {}
    near = []
    columns = (recordings[name].to_pylist() for name in ("vin", "car", "samples_sha256"))
    for vin, name, sha256 in zip(*columns, strict=True):
        if vin not in vins:
            vins[vin] = _is_own(Identity(vin=vin or ""), False, here, cars)
        near.append((vins[vin] or name in names) and sha256 not in known)
    found = drives_in(recordings.filter(pa.array(near, pa.bool_())), cache)
    return [d for d in found if _is_own(d.identity, d.car in names, here, cars)]


def _is_own(there: Identity, named: bool, here: Sequence[Facts], cars: KnownCars) -> bool:
    """`named`: it bears the same name, which decides where the identities do not."""
    found = {cars.judge(facts.identity, there).match for facts in here}
    return Match.OTHER not in found and (named or Match.SAME in found)
