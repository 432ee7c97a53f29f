"""What the Archive page has done off the window's thread; free of Qt."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Mapping as Maps
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbench.cases.work import Work as Task
from logbench.errors import LogbenchError
from logbench.words import tr, tr_n, word

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.find import Filter
    from logbench.archive.likeness import Alike
    from logbench.archive.overview import Catalogue, Facets, Number, Row
    from logbench.archive.preview import Preview
    from logbench.archive.store import Problem
    from logbench.archive.trend import Point, Spread
    from logbench.importing.model import Mapping
    from logbench.importing.run import Outcome
    from logbench.importing.run import Preview as FilePreview
    from logbench.recording.model import Vehicle


class Stop(threading.Event):
    """Set by the window to end a long piece of work early, with what it has so far."""


class _StoppedError(Exception):
    """Ends the work in the middle of somebody else's loop."""


@dataclass(frozen=True)
class Seen:
    """An archive as it was when it was last looked through."""

    archive: Archive
    catalogue: Catalogue


@dataclass(frozen=True)
class Listing:
    """What fits the filter, what there is to choose from, and what is left out."""

    rows: list[Row]
    facets: Facets
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class Details:
    """One recording: its row of the view `recordings`, its signals and findings."""

    recording: str
    facts: dict[str, Any]
    signals: list[dict[str, Any]]
    findings: list[dict[str, Any]]


@dataclass(frozen=True)
class Trended:
    """A number over a car's life, and over the others of its displacement."""

    number: Number
    car: str
    displacement_l: float | None
    points: list[Point]
    spread: Spread | None


@dataclass
class Line:
    """One file in the account of what was done; `more` is shown below it."""

    name: str
    text: str
    bad: bool = False
    more: list[str] = field(default_factory=list)


@dataclass
class Account:
    """What a long piece of work did."""

    sentence: str
    lines: list[Line] = field(default_factory=list)
    stopped: bool = False
    made: list[Path] = field(default_factory=list)
    """New recordings: files, or paths in an archive."""

    @property
    def bad(self) -> int:
        """Files with which something is wrong."""
        return sum(line.bad for line in self.lines)


def open_archive(place: str, cache: Path | None, task: Task) -> Seen:
    """Look through the archive at a folder or URL. Raises `ArchiveError`."""
    from logbench.archive.archive import Archive

    return look_again(Archive(place, cache), task)


def look_again(archive: Archive, task: Task) -> Seen:
    """The archive as it is now; only what is new or changed is read."""
    from logbench.archive.overview import Catalogue

    task.report(tr("Looking through the archive"), 0.0)
    archive.refresh(lambda done, of: task.report(tr("Reading what is new"), done / max(1, of)))
    return Seen(archive, Catalogue(archive))


def listing(seen: Seen, chosen: Filter, task: Task) -> Listing:
    """Raises `UsageError` for a filter that is not understood."""
    task.report(tr("Searching"), 0.0)
    return Listing(seen.catalogue.rows(chosen), seen.catalogue.facets, seen.archive.index.problems)


def details_of(archive: Archive, recording: str, task: Task) -> Details:
    """Facts, signals and findings; findings that are not known yet are made and kept."""
    task.report(tr("Reading"), 0.0)
    (facts,) = archive.query(
        "SELECT * FROM recordings WHERE recording = ?", [recording]
    ).to_pylist()
    sql = "SELECT * FROM signals WHERE recording = ? ORDER BY signal, ecu"
    signals = archive.query(sql, [recording]).to_pylist()
    task.report(tr("Checking"), 0.5)
    return Details(recording, facts, signals, archive.findings_of(recording))


def previews_of(
    archive: Archive, recordings: Sequence[str], signal: str, task: Task
) -> dict[str, Preview | None]:
    """Small traces; None for a recording that cannot be read."""
    from logbench.archive.preview import preview_of

    made: dict[str, Preview | None] = {}
    for number, name in enumerate(recordings):
        task.report(tr("Drawing"), number / len(recordings))
        try:
            made[name] = preview_of(archive, name, signal)
        except LogbenchError:
            made[name] = None
    return made


def local_files(archive: Archive, recordings: Sequence[str], task: Task) -> list[Path]:
    """Their files on this computer, fetched where the archive is not."""
    made = []
    for number, name in enumerate(recordings):
        task.report(tr("Fetching {name}", name=name), number / len(recordings))
        made.append(archive.local_copy(name))
    return made


def alike_to(archive: Archive, recording: str, task: Task) -> list[Alike]:
    """The nearest recordings; the first time every recording is read."""

    from logbench.archive.grids import similar_drives

    def told(done: int, of: int) -> None:
        task.report(tr("Comparing {done:,} of {of:,}", done=done, of=of), done / max(1, of))

    return similar_drives(archive, recording, 20, told)


def numbers_for(archive: Archive, car: str, task: Task) -> list[Number]:
    """What can be followed over that car's life."""
    from logbench.archive.overview import numbers_of

    task.report(tr("Looking up what is known of the car"), 0.0)
    return numbers_of(archive, car)


def trend_of(archive: Archive, number: Number, car: str, task: Task) -> Trended:
    """The number in each of the car's recordings, the last held against other cars."""
    from logbench.archive.trend import spread_of
    from logbench.archive.trend import trend_of as points_of

    task.report(tr("Following the number"), 0.0)
    points = points_of(archive, number.name, car, exact=True)
    if not points:
        return Trended(number, car, None, [], None)
    sql = "SELECT displacement_l FROM recordings WHERE recording = ?"
    (row,) = archive.query(sql, [points[-1].recording]).to_pylist()
    litres = row["displacement_l"]
    found = None
    if litres is not None:
        found = spread_of(archive, number.name, litres, without_car=car, value=points[-1].value)
    return Trended(number, car, litres, points, found)


# --- long work: each ends early with what it has when `stop` is set ---


def sweep(
    archive: Archive, recordings: Sequence[str], processes: int, stop: Stop, task: Task
) -> Account:
    """Run the checks over those that have not been checked; `processes` 0: as many as pay."""
    from logbench.archive.sweep import sweep_checks

    pending = len(archive.pending(recordings))
    task.report(tr_n("Checking {n:,} recording", "Checking {n:,} recordings", pending), 0.0)
    done = 0

    def told(now: int, of: int) -> None:
        nonlocal done
        done = now
        task.report(tr("Checked {now:,} of {of:,}", now=now, of=of), now / max(1, of))
        if stop.is_set():
            raise _StoppedError

    stopped = False
    try:
        sweep_checks(archive, processes=processes, recordings=recordings, progress=told)
    except _StoppedError:
        stopped = True
    checked = {row["recording"]: row["problem"] for row in archive.findings.to_pylist()}
    lines = [
        Line(name, checked[name], bad=True) for name in recordings if checked.get(name, "") != ""
    ]
    known = len(recordings) - pending
    left = pending - done if stopped else 0
    sentence = tr_n(
        "{n:,} recording checked, {known:,} known before",
        "{n:,} recordings checked, {known:,} known before",
        done if stopped else pending,
        known=known,
    )
    rest = tr(", {left:,} left.", left=left) if stopped else "."
    return Account(sentence + rest, lines, stopped)


def verify(archive: Archive, quarantine: bool, stop: Stop, task: Task) -> Account:
    """Hold every recording against its checksum; with `quarantine` damaged files are set aside."""
    total = len(archive.entries())
    counts: Counter[str] = Counter()
    lines = []
    for found in archive.check(quarantine):
        counts[found.health] += 1
        task.report(
            tr("Verified {done:,} of {of:,}", done=counts.total(), of=total),
            counts.total() / max(1, total),
        )
        if found.health in {"damaged", "unreadable"}:
            moved = (
                tr(" Set aside as {moved_to}.", moved_to=found.moved_to) if found.moved_to else ""
            )
            lines.append(Line(found.path, found.sentence + moved, bad=True))
        if stop.is_set():
            break
    told = ", ".join(f"{n:,} {word(health)}" for health, n in sorted(counts.items())) or tr(
        "nothing there"
    )
    stopped = stop.is_set() and counts.total() < total
    return Account(
        tr("Verified: {told}{early}.", told=told, early=tr(" (stopped early)") if stopped else ""),
        lines,
        stopped,
    )


def add(archive: Archive, paths: Sequence[Path], stop: Stop, task: Task) -> Account:
    """Copy recordings in, out of folders too."""
    files: list[Path] = []
    for path in paths:
        files += sorted(path.rglob("*.parquet")) if path.is_dir() else [path]
    lines = []
    new = 0
    for number, file in enumerate(files):
        if stop.is_set():
            break
        task.report(tr("Adding {name}", name=file.name), number / max(1, len(files)))
        try:
            where, is_new = archive.add(file)
        except LogbenchError as error:
            lines.append(Line(file.name, str(error), bad=True))
            continue
        new += is_new
        lines.append(
            Line(
                file.name,
                tr("added as {where}", where=where)
                if is_new
                else tr("is there already: {where}", where=where),
            )
        )
    sentence = tr_n(
        "{n:,} recording added, {others:,} not.",
        "{n:,} recordings added, {others:,} not.",
        new,
        others=len(lines) - new,
    )
    return Account(sentence, lines, len(lines) < len(files))


# --- other programs' logs ---


@dataclass
class Kind:
    """Files that look the same, with the mapping that one of them suggests."""

    files: list[Path]
    preview: FilePreview
    memory: Path | None


@dataclass
class Survey:
    """What is to be imported: kinds to confirm, files that need no mapping, bad ones."""

    kinds: list[Kind]
    plain: list[Path]
    lines: list[Line]


def survey(paths: Sequence[Path], memory: Path | None, task: Task) -> Survey:
    """Look into every file once. Raises `ImportFileError` when there is none."""
    from logbench.errors import ImportFileError
    from logbench.importing.run import files_in, preview

    files = files_in(paths)
    if not files:
        raise ImportFileError(
            tr("No file that can be imported is there: name CSV, Parquet or logs.")
        )
    kinds: dict[str, Kind] = {}
    plain: list[Path] = []
    lines = []
    for number, file in enumerate(files):
        task.report(tr("Looking into {name}", name=file.name), number / len(files))
        try:
            seen = preview(file, memory)
        except LogbenchError as error:
            lines.append(Line(file.name, str(error), bad=True))
            continue
        if seen.mapping is None:
            plain.append(file)
        elif seen.mapping.fingerprint in kinds:
            kinds[seen.mapping.fingerprint].files.append(file)
        else:
            kinds[seen.mapping.fingerprint] = Kind([file], seen, memory)
    return Survey(list(kinds.values()), plain, lines)


def cut_again(kind: Kind, delimiter: str, task: Task) -> Kind:
    """The same files cut into columns by another delimiter. Raises `ImportFileError`."""
    from logbench.importing.run import preview

    task.report(tr("Reading"), 0.0)
    seen = preview(kind.files[0], kind.memory, delimiter=delimiter)
    return Kind(kind.files, seen, kind.memory)


def bring_in(
    into: Archive | Path,
    files: Sequence[Path],
    mappings: Maps[Path, Mapping],
    vehicle: Vehicle | None,
    before: Sequence[Line],
    stop: Stop,
    task: Task,
) -> Account:
    """Import files into an archive or a folder; `before`: files that could not even be looked
    into. Raises `StorageError` where the folder cannot be made."""
    from logbench.archive.importing import import_to_archive
    from logbench.importing.run import import_files
    from logbench.recording.storage import storage_trouble

    def told(done: int, of: int, path: Path) -> None:
        task.report(tr("Importing {name}", name=path.name), done / of)

    if isinstance(into, Path):
        with storage_trouble(into):
            into.mkdir(parents=True, exist_ok=True)
        outcomes = import_files(files, into, mappings, vehicle, progress=told)
    else:
        outcomes = import_to_archive(into, files, mappings, vehicle, progress=told)
    lines: list[Line] = []
    made: list[Path] = []
    for outcome in outcomes:
        lines.append(_account_of(outcome))
        made += outcome.made
        if stop.is_set():
            break
    stopped = len(lines) < len(files)
    lines += before
    bad = sum(line.bad for line in lines)
    sentence = tr(
        "{recordings} from {files}; {bad:,} not imported.",
        recordings=tr_n("{n:,} recording", "{n:,} recordings", len(made)),
        files=tr_n("{n:,} file", "{n:,} files", len(lines) - bad),
        bad=bad,
    )
    return Account(sentence, lines, stopped, made)


def _account_of(outcome: Outcome) -> Line:
    report = outcome.report
    if report is None:
        return Line(outcome.source.name, outcome.problem, bad=True)
    made = ", ".join(str(path) for path in outcome.made) or tr("nothing new")
    text = tr(
        "{rows:,} rows, {samples:,} samples, {left_out:,} cells not read, {empty:,} empty: {made}",
        rows=report.rows,
        samples=report.samples,
        left_out=report.left_out,
        empty=report.empty,
        made=made,
    )
    row = tr("row")
    more = [
        f"{count:,} × {column or row}: {reason}"
        for (column, reason), count in sorted(report.counts.items())
    ]
    more += [
        tr("line {line}, {column}: {cell}", line=c.line, column=c.column or row, cell=repr(c.text))
        + f" {c.reason}"
        for c in report.unread
    ]
    return Line(outcome.source.name, text, more=[*more, *report.remarks])
