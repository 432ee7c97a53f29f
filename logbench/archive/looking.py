"""Looking through an archive: what is new or changed is read, its parts of the index renewed."""

from __future__ import annotations

import atexit
import functools
import logging
import shutil
import tempfile
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pyarrow as pa

from logbench.archive.columns import PROBLEMS, SIGNALS, Known, kept_schema, record_of, shown
from logbench.archive.kept import (
    RECORDINGS_A_PART,
    Gone,
    Kept,
    Part,
    Tables,
    forget_judged,
    index_folder,
    save_kept,
    within,
    without,
    written,
)
from logbench.archive.partitions import Chosen, fits, pairs_of
from logbench.archive.reading import Footer, Footers
from logbench.archive.store import Entry, Listing, Problem, Store
from logbench.errors import ArchiveError, LogbenchError
from logbench.recording.corrections import corrected
from logbench.recording.notes import Remark, beside_in
from logbench.system.limits import NOTES_BYTES, NOTES_SEARCHED_CHARS

log = logging.getLogger(__name__)

Progress = Callable[[int, int], None]
"""Told (done, of)."""

_TOLD_EVERY = 100
_PASSING = ("unreadable", "link")
"""What is wrong with a file now, and may not be the next time."""


@dataclass(slots=True)
class Looked:
    """What there is, what is wrong for now, and how much had to be read."""

    kept: Kept
    passing: list[Problem] = field(default_factory=list)
    fresh: int = 0
    lost: int = 0
    """Recordings whose part of the index could not be used and was made anew."""


def look_through(
    store: Store,
    listing: Listing,
    cache: Path,
    kept: Kept,
    chosen: Chosen,
    progress: Progress | None = None,
) -> Looked:
    """Hold what is listed against what is kept, and renew the parts in which they differ. Folders
    that are not `chosen` are left as they are known. Raises `ArchiveError` where no disk takes what
    is known."""
    return _Look(store, listing, cache, kept, chosen, progress).run()


@dataclass(slots=True)
class _Change:
    """A part and what is listed where it is."""

    part: Part | None
    here: list[Entry]
    new: list[Entry]
    """New or changed."""
    gone: set[str] = field(default_factory=set)
    noted: list[str] = field(default_factory=list)
    """Of the new those that are as they were, and what stands beside them is not."""
    lost: bool = False

    def __bool__(self) -> bool:
        return bool(self.new or self.gone or self.lost)


class _Look:
    def __init__(
        self,
        store: Store,
        listing: Listing,
        cache: Path,
        kept: Kept,
        chosen: Chosen,
        progress: Progress | None,
    ) -> None:
        self.store, self.listing, self.chosen = store, listing, chosen
        self.cache, self.kept, self.progress = cache, kept, progress
        self.entries = sorted(listing.recordings)
        self.footers = Footers(store)
        self.looked = Looked(kept)

    def run(self) -> Looked:
        changes = list(self._changes())
        looked, of = self.looked, sum(len(change.new) for change in changes)
        parts: list[Part] = []
        for number, change in enumerate(changes):
            if not change:
                parts += [] if change.part is None else [change.part]
                continue
            for made in self._renewed(change, of):
                parts += made
                rest = (later.part for later in changes[number + 1 :])
                now = (*parts, *(part for part in rest if part is not None))
                looked.kept = Kept(now, self.kept.namesakes)
                self._keep()
        return looked

    def _keep(self) -> None:
        """So that who is stopped goes on from there; where that cannot be, the next look takes
        longer."""
        try:
            save_kept(self.cache, self.looked.kept)
        except OSError as error:
            log.warning("the archive's index cannot be kept: %s", error)

    def _changes(self) -> Iterator[_Change]:
        parts = self.kept.parts or (None,)
        cuts = [
            bisect_left(self.entries, part.first, key=lambda entry: entry.path)
            for part in self.kept.parts[1:]
        ]
        ends = zip([0, *cuts], [*cuts, len(self.entries)], strict=True)
        for part, (start, end) in zip(parts, ends, strict=True):
            here = self.entries[start:end]
            yield _Change(None, here, here) if part is None else self._change(part, here)

    def _change(self, part: Part, here: list[Entry]) -> _Change:
        try:
            states = part.states()
        except Gone as error:
            return self._lost(part, here, error)
        new = [
            entry
            for entry in here
            if (state := states.get(entry.path)) is None
            or state.entry != entry
            or state.noted != self.listing.noted(entry.path)
        ]
        left = states.keys() - {entry.path for entry in here}
        gone = {path for path in left if not self.chosen or fits(pairs_of(path), self.chosen)}
        noted = [e.path for e in new if e.path in states and states[e.path].entry == e]
        return _Change(part, here, new, gone, noted)

    def _lost(self, part: Part, here: list[Entry], error: Exception) -> _Change:
        log.warning("a part of the archive's index, %s, is made anew: %s", part.folder, error)
        self.looked.lost += part.recordings
        return _Change(part, here, here, lost=True)

    def _renewed(self, change: _Change, of: int) -> Iterator[list[Part]]:
        """The parts in the place of one, each as soon as it is written."""
        rest = _nothing()
        if change.part is not None and not change.lost:
            try:
                rest = change.part.tables()
            except Gone as error:
                change = self._lost(change.part, change.here, error)
        before = rest[0]
        rest = without(rest, {entry.path for entry in change.new} | change.gone)
        for low, high, some in _pieces(change.new):
            made = self._read(some, of)
            self._forget_judged(before, made[0], change.noted)
            own = within(rest, low, high)
            yield self._written(
                tuple(pa.concat_tables(pair) for pair in zip(own, made, strict=True))
            )

    def _written(self, tables: Tables) -> list[Part]:
        try:
            return written(index_folder(self.cache), tables)
        except OSError as error:
            log.warning("the archive's index cannot be kept: %s", error)
        try:
            return written(_makeshift(), tables)
        except OSError as error:
            raise ArchiveError(
                f"What is known of the archive cannot be kept ({error.strerror}): free some space."
            ) from error

    def _read(self, entries: list[Entry], of: int) -> Tables:
        recordings: list[dict[str, Any]] = []
        signals: list[dict[str, Any]] = []
        bad: list[dict[str, Any]] = []
        for entry, footer in self.footers.read(entries):
            if isinstance(footer, Footer):
                beside = self.listing.notes.get(entry.path)
                recordings.append(_row(self.store, footer.known, beside))
                signals += footer.signals
            elif footer.kind in _PASSING:
                self.looked.passing.append(footer)
            else:
                bad.append({"path": footer.path, "kind": footer.kind, "sentence": footer.sentence,
                            "size_bytes": entry.size, "mtime_ns": entry.mtime_ns})  # fmt: skip
            self.looked.fresh += 1
            done = self.looked.fresh
            if self.progress is not None and (done == of or not done % _TOLD_EVERY):
                self.progress(done, of)
        return (
            pa.Table.from_pylist(recordings, kept_schema()),
            pa.Table.from_pylist(signals, SIGNALS),
            pa.Table.from_pylist(bad, PROBLEMS),
        )

    def _forget_judged(self, before: pa.Table, now: pa.Table, noted: list[str]) -> None:
        """Findings of those of which more than what is noted beside them is another than before."""
        columns = [n for n in shown(now).column_names if n not in ("notes", "notes_mtime_ns")]
        here = pa.array(noted, pa.string())
        rows = [
            table.filter(pa.compute.is_in(table["recording"], value_set=here)).select(columns)
            for table in (before, now)
        ]
        old, new = ({row["recording"]: row for row in table.to_pylist()} for table in rows)
        try:
            forget_judged(self.cache, [path for path in new if old.get(path) != new[path]])
        except (OSError, pa.ArrowException) as error:
            log.warning("findings of before a correction are kept: %s", error)


def _pieces(new: list[Entry]) -> Iterator[tuple[str, str | None, list[Entry]]]:
    """Ranges of paths, each with what is new in it: little enough to be held in memory."""
    step = RECORDINGS_A_PART if len(new) > 2 * RECORDINGS_A_PART else max(1, len(new))
    starts = [*range(0, len(new), step)] or [0]
    for start in starts:
        later = start + step
        low = new[start].path if start else ""
        yield low, new[later].path if later < len(new) else None, new[start:later]


def _nothing() -> Tables:
    a, b, c = (pa.Table.from_batches([], s) for s in (kept_schema(), SIGNALS, PROBLEMS))
    return a, b, c


@functools.cache
def _makeshift() -> Path:
    """A folder until the program ends, where the user's own cannot be written."""
    folder = Path(tempfile.mkdtemp(prefix="logbench-index-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _row(store: Store, known: Known, beside: Entry | None) -> dict[str, Any]:
    """A recording with the notes beside it, a line each, and its facts as they are corrected there;
    where that cannot be read, why."""
    if beside is None:
        return record_of(known)
    said: Sequence[Remark] = ()
    try:
        with store.open(beside.path) as file:
            document = beside_in(file.read(NOTES_BYTES + 1), beside.path)
        text = "\n".join(note.said for note in document.notes)
        if document.is_of(known.facts.samples_sha256):
            said = document.notes
            known = replace(known, facts=corrected(known.facts, document.corrections))
    except (LogbenchError, OSError) as error:
        text = str(error)
    notes = {"notes": text[:NOTES_SEARCHED_CHARS], "notes_mtime_ns": beside.mtime_ns}
    return record_of(known, said) | notes
