"""What the Compare page has done off the main thread: finding, comparing and overlaying files."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from logbench.cases.cars import CarsFile
from logbench.cases.recording import changes_of
from logbench.cases.work import Work, only_looks
from logbench.errors import LogbenchError
from logbench.foreign import joined, raw
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.catalog import catalog
from logbench.system.folders import newest_files
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.comparison.overlay import By, Overlay
    from logbench.analysis.comparison.results import Comparison
    from logbench.analysis.view import View
    from logbench.car.identity import Identity
    from logbench.recording.model import Facts, Trace
    from logbench.recording.notes import Remark
    from logbench.recording.reader import Recording

BEFORE, AFTER, DIFFERENCE = "before", "after", "difference"
SIDES = (BEFORE, AFTER)
MOST_FOUND = 60


@dataclass(frozen=True)
class Found:
    """A recording that could be put on a side: what it says of itself."""

    path: Path
    car: str
    started: str
    duration_s: float
    name: str = ""
    """Its path below the archive's folder, or the file's name."""

    @property
    def words(self) -> str:
        """What it is found by."""
        return raw(joined(" ", self.name, self.car, self.started).casefold())


@dataclass(frozen=True)
class Compared:
    """Two sides held against each other, and views of their recordings for overlays."""

    files: tuple[tuple[Path, ...], tuple[Path, ...]]
    result: Comparison
    views: tuple[tuple[View, ...], tuple[View, ...]]
    problem: str = ""
    """What is wrong with the user's own limits, which were not used then; why notes are missing;
    that another installation has sealed a recording."""
    powers: tuple[str, ...] = ()
    """What so many drives of each side would show, in lines."""
    remarks: tuple[tuple[tuple[Remark, ...], ...], ...] = ((), ())
    """What is said of each recording of each side."""
    changed: tuple[str, ...] = ()
    """Why a recording is not what was recorded, or not what entered the ledger of its job."""

    @property
    def drives(self) -> list[list[tuple[Facts, str]]]:
        """Of each side what is known of its recordings, with the names of their files."""
        both = zip(self.views, self.files, strict=True)
        return [
            [(view.facts, file.name) for view, file in zip(*side, strict=True)] for side in both
        ]

    @property
    def pairs(self) -> tuple[tuple[Identity, Identity], ...]:
        """Recordings of which a person is asked whether they are of one car."""
        facts = [view.facts.identity for side in self.views for view in side]
        return tuple(combinations(facts, 2))


@dataclass(frozen=True)
class Wish:
    """An overlay asked for: the signal's key, what it is aligned by, a recording of each side."""

    key: str
    by: By
    marker: str = ""
    coolant_degc: float = 70.0
    recordings: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Laid:
    """An overlay with its lines prepared for drawing, time and kilometers as the strips' ns.

    `speed`: vehicle speed of both sides as orientation, unless not recorded or the signal itself.
    """

    wish: Wish
    overlay: Overlay
    lines: tuple[StripTrace, StripTrace]
    difference: StripTrace
    speed: tuple[StripTrace, StripTrace] | None


class _Watched:
    """A recording that tells of each trace that is read; a canceled one is read no more.

    It is what the analysis needs of a recording (`analysis.grid.RecordingLike`).
    """

    def __init__(self, recording: Recording, tell: Callable[[str], None]) -> None:
        self._recording = recording
        self._tell = tell

    @property
    def facts(self) -> Facts:
        return self._recording.facts

    @property
    def keys(self) -> Sequence[tuple[str, str]]:
        return self._recording.keys

    def trace(self, signal: str, ecu: str | None = None) -> Trace:
        self._tell(signal)
        return self._recording.trace(signal, ecu)


@only_looks
def find_recordings(work: Work, folder: Path, recent: tuple[Path, ...]) -> list[Found]:
    """The recordings opened lately and those of the folder, the newest file first, each with what
    it says of itself."""
    from logbench.recording.reader import open_recording

    here = newest_files(folder, ".parquet", MOST_FOUND)
    paths = {Path(os.path.realpath(path)) for path in (*recent, *here)}
    newest = sorted(paths, key=lambda path: (-_modified(path), path.name))[:MOST_FOUND]
    found = []
    for number, path in enumerate(newest):
        work.report(tr("Opening {name}", name=path.name), number / len(newest))
        try:
            recording = open_recording(path)
        except LogbenchError:  # choosing it says what it is
            found.append(Found(path, tr("cannot be read"), "", 0.0, path.name))
            continue
        facts = recording.facts
        length_s = recording.duration_ns / SECOND
        found.append(Found(path, facts.vehicle.called, facts.started, length_s, path.name))
    return found


@only_looks
def last_of_this_car(_: Work, path: Path) -> Path | None:
    """The newest other recording of the same car in the folder of a recording; None where there is
    none that is surely of it. Raises the reader's errors."""
    from logbench.car.identity import Match
    from logbench.recording.reader import open_recording

    known, facts = CarsFile().load(), open_recording(path).facts
    for other in newest_files(path.parent, ".parquet", MOST_FOUND):
        if os.path.realpath(other) == os.path.realpath(path):
            continue
        try:
            told = open_recording(other).facts
        except LogbenchError:
            continue
        same = known.judge(facts.identity, told.identity).match is Match.SAME
        if same and told.started < facts.started:
            return other
    return None


@only_looks
def find_in_archive(work: Work, folder: Path) -> list[Found]:
    """All recordings of an archive folder, the newest drive first; files known from an earlier look
    are not read again. Raises `ArchiveError`."""
    from logbench.archive.archive import Archive

    def say(done: int, of: int) -> None:
        text = tr(
            "Looking through {folder}: {done} of {of} new files", folder=folder, done=done, of=of
        )
        work.report(text, done / max(1, of))

    index = Archive(folder, cars=CarsFile().load()).refresh(say)
    names = ("recording", "car", "started", "duration_s")
    columns = [index.recordings[name].to_pylist() for name in names]
    found = [
        Found(folder / name, car or "", started or "", seconds or 0.0, name)
        for name, car, started, seconds in zip(*columns, strict=True)
    ]
    return sorted(found, key=lambda one: (one.started, one.name), reverse=True)


def _modified(path: Path) -> float:
    return path.stat().st_mtime if path.exists() else 0.0


@only_looks
def compare_files(
    work: Work, before: tuple[Path, ...], after: tuple[Path, ...], archive: str = ""
) -> Compared:
    """Open both sides and compare them by the user's own limits; canceled, it ends where it reads.
    `archive`: as in `judge`. Raises the reader's errors, and `UsageError` when the same recording
    is on both sides, `ArchiveError`."""
    from logbench.analysis.bands import load_limits
    from logbench.analysis.comparison.compare import compare
    from logbench.analysis.comparison.identity import refuse_same
    from logbench.analysis.comparison.quantities import of_compression
    from logbench.analysis.drive_plan import powers_for, told_of
    from logbench.analysis.view import View
    from logbench.archive.repeats import repeats_in
    from logbench.recording.notes import read_remarks
    from logbench.recording.reader import open_recording

    limits = load_limits()
    count = len(before) + len(after)
    opened: list[list[Recording]] = []
    for side in (before, after):
        opened.append([])
        for path in side:
            share = 0.1 * sum(map(len, opened)) / count
            work.report(tr("Opening {name}", name=path.name), share)
            opened[-1].append(open_recording(path))
    refuse_same(opened[0], opened[1])
    total = sum(len(r.keys) for side in opened for r in side)
    reads = 0

    def tell(signal: str) -> None:
        nonlocal reads
        reads += 1
        share = 0.1 + 0.85 * min(1.0, reads / max(1, total))
        work.report(tr("Comparing: reading {signal}", signal=signal), share)

    watched = [[_Watched(r, tell) for r in side] for side in opened]
    cars = CarsFile().load()
    first, later = ([recording.facts for recording in side] for side in opened)
    repeats = repeats_in(archive, cars, first, later)
    result = compare(watched[0], watched[1], limits.bands, known=cars, repeats=repeats)
    work.report(tr("Comparing: done"), 1.0)
    views = tuple(tuple(View(r) for r in side) for side in opened)
    said = [[read_remarks(r) for r in side] for side in opened]
    seals = [changes_of(recording) for side in opened for recording in side]
    problems = [limits.problem, *(problem for side in said for _, problem in side)]
    problems += dict.fromkeys(seal.remark for seal in seals)
    remarks = tuple(tuple(found for found, _ in side) for side in said)
    problem = " ".join(filter(None, problems))
    repeats = repeats.of_engine(of_compression([view for side in views for view in side]))
    told = told_of(powers_for([f.before for f in result.findings if f.before], repeats))
    changed = tuple(text for seal in seals for text in seal.problems)
    both = views[0], views[1]
    return Compared((before, after), result, both, problem, told, remarks, changed)


def shown_signals(compared: Compared) -> list[str]:
    """Keys that an overlay can show: what was compared, then other numbers of both sides."""
    from logbench.signals.table import table

    numbers = {signal.acronym for signal in table() if signal.kind == "number"}
    held = [
        set.intersection(*(set(v.traces.signals) for v in side)) & numbers
        for side in compared.views
    ]
    keys = [s.key for s in compared.result.signals]
    return keys + sorted((held[0] & held[1]) - set(keys))


@only_looks
def make_overlay(work: Work, compared: Compared, wish: Wish) -> Laid:
    """An overlay of one signal of both sides, and of vehicle speed for orientation. Raises
    `UsageError` where that cannot be."""
    from logbench.analysis.comparison.overlay import overlay

    before, after = (
        views[index] for views, index in zip(compared.views, wish.recordings, strict=True)
    )
    lay = partial(
        overlay, before, after, by=wish.by, marker=wish.marker, coolant_degc=wish.coolant_degc
    )
    quantities = {q.key: q for q in compared.result.quantities}
    laid = lay(quantities.get(wish.key, wish.key))
    work.report(tr("Making the overlay"), 0.5)
    speed = None
    if wish.key != "VSS" and not any(view.missing("VSS") for view in (before, after)):
        speed = _lines(lay("VSS"))
    difference = _line(laid, DIFFERENCE, laid.difference, tr("change (after − before)"))
    return Laid(wish, laid, _lines(laid), difference, speed)


def place_ns(laid: Laid, side: str, t_ns: int) -> int:
    """Where a recording's time stands on the strips' axis."""
    return round(laid.overlay.place(side, t_ns) * SECOND)


def _lines(laid: Overlay) -> tuple[StripTrace, StripTrace]:
    return (
        _line(laid, BEFORE, laid.before, tr("{signal} before", signal=laid.signal)),
        _line(laid, AFTER, laid.after, tr("{signal} after", signal=laid.signal)),
    )


def _line(laid: Overlay, side: str, values: np.ndarray, label: str) -> StripTrace:
    """One line without its unknown ends; a kilometer is drawn like a second. Its color tells the
    side, or that it is the difference."""
    known = np.flatnonzero(np.isfinite(values))
    part = slice(known[0], known[-1] + 1) if len(known) else slice(0)
    t_ns = np.round(laid.x[part] * SECOND).astype(np.int64)
    pyramid = Pyramid.of(t_ns, np.array(values[part], dtype=np.float64))
    entry = catalog().by_acronym(laid.signal) if laid.signal in catalog() else None
    decimals = entry.decimals if entry else None
    slot = (BEFORE, AFTER, DIFFERENCE).index(side)
    return StripTrace(
        laid.signal, side, laid.unit, pyramid, label=label, decimals=decimals, slot=slot
    )
