"""An archive as the rest of the program sees it."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import repeat
from pathlib import Path
from typing import Any

import pyarrow as pa

from logbench.analysis.expression.checked import Expression
from logbench.archive.aligned import EVERY_S, Aligned, mentioned, sql_of_aligned
from logbench.archive.care import Checked, add_recording, fetched, verify_all
from logbench.archive.find import Filter, paths_of, sql_of, where
from logbench.archive.findings import (
    check_entry,
    checks_version,
    current,
    keep_findings,
    load_findings,
    states_done,
)
from logbench.archive.index import Index, Progress, build_index, cache_folder
from logbench.archive.query import Sql, samples_of
from logbench.archive.questions import Answer, Questions
from logbench.archive.reading import open_entry
from logbench.archive.states import load_states
from logbench.archive.store import AT_ONCE, Entry, entries_of, open_store
from logbench.archive.views import ALIGNED, words_of
from logbench.car.identity import Identity
from logbench.car.known import KnownCars
from logbench.errors import ArchiveError, RecordingError, SignalUnsupportedError
from logbench.recording.reader import Recording
from logbench.system.memory import work_bytes


class Archive:
    """Finds, opens and compares the recordings below a folder or an object-store prefix.

    The index is read when it is first needed and kept; `refresh` looks again. Several threads may
    use one archive: what one of them puts in is never hidden by another that looked before.
    """

    def __init__(
        self,
        place: str | os.PathLike[str],
        cache: Path | None = None,
        cars: KnownCars | None = None,
        memory_bytes: int = 0,
    ) -> None:
        """`cache`: base folder for what is known of archives; None: the user's cache folder.
        `cars`: those met before, by which recordings of one name are told apart. `memory_bytes`:
        what a question may take; 0: a quarter of what the computer has.

        Raises `ArchiveError` when the place is not understood or no folder.
        """
        self.store = open_store(place)
        self.place = os.fspath(place) if self.store.root is None else str(self.store.root)
        """How a worker process opens the same archive."""
        self.cache = cache_folder(self.store, cache)
        self.cars = cars or KnownCars()
        self.memory_bytes = memory_bytes or work_bytes()
        self._questions = Questions(self.store, self.cache, self.memory_bytes)
        self._kept_view: tuple[pa.Table, pa.Table] | None = None
        self._looking = threading.RLock()
        """Held while what is there is listed, so that the last to begin is the last to tell."""
        self._put_in = object()
        """Another one after each change: what was looked up before the last is not kept."""
        self._index: Index | None = None
        self._findings: pa.Table | None = None
        self._states: pa.Table | None = None
        self._known: dict[str, str] | None = None
        self._done: dict[tuple[str, ...], set[Entry]] = {}

    # --- what there is ---

    def refresh(self, progress: Progress | None = None) -> Index:
        """Look again; only new and changed files are read. Raises `ArchiveError`."""
        with self._looking:
            before = self._put_in
            index = build_index(self.store, self.cache, progress)
            recordings = tell_cars_apart(index.recordings, self.cars)
            index = replace(index, recordings=recordings)
            self._index, self._findings, self._known, self._done = index, None, None, {}
            self._states = None
            if self._put_in is not before:
                self._index = None
        return index

    @property
    def index(self) -> Index:
        """Recordings, signals, jobs, and what is left out."""
        index = self._index  # another thread may let go of it meanwhile
        return index if index is not None else self.refresh()

    @property
    def findings(self) -> pa.Table:
        """Rows that are kept for the present checks and the present files."""
        found = self._findings
        if found is None:
            before, index = self._put_in, self.index
            found = self._findings = current(load_findings(self.cache), index.recordings)
            if self._put_in is not before or self._index is not index:
                self._findings = None
        return found

    @property
    def states(self) -> pa.Table:
        """What the cars were doing, as far as it is kept for the present files: see `STATES`."""
        found = self._states
        if found is None:
            before, index = self._put_in, self.index
            found = self._states = load_states(self.cache, checks_version(), index.recordings)
            if self._put_in is not before or self._index is not index:
                self._states = None
        return found

    def entries(self, recordings: Iterable[str] | None = None) -> list[Entry]:
        """The files behind recordings, or behind all. Raises `ArchiveError` for an unknown one."""
        table = self.index.recordings
        found = {entry.path: entry for entry in entries_of(table)}
        if recordings is None:
            return list(found.values())
        try:
            return [found[path] for path in recordings]
        except KeyError as error:
            raise ArchiveError(f"There is no recording {error.args[0]} in the archive.") from error

    def resolve(self, name: str) -> str:
        """A recording's path from its path, the end of it, or the beginning of its id.

        Raises `ArchiveError` when there is none or more than one.
        """
        table = self.index.recordings
        paths, ids = table["recording"].to_pylist(), table["recording_id"].to_pylist()
        if name in paths:
            return name
        wanted = name.removesuffix(".parquet")
        ends = [p for p in paths if f"/{p.removesuffix('.parquet')}".endswith(f"/{wanted}")]
        found = ends or [p for p, i in zip(paths, ids, strict=True) if i.startswith(wanted)]
        if wanted and len(found) == 1:
            return str(found[0])
        some = f"; it may be {', '.join(found[:4])}" if wanted and found else ""
        raise ArchiveError(f"There is no one recording {name!r} in the archive{some}.")

    def open(self, name: str) -> Recording:
        """Open a recording. Raises `ArchiveError`, and what `open_recording` raises."""
        (entry,) = self.entries([self.resolve(name)])
        return open_entry(self.store, entry, self.index.footers.get(entry.path, 0))

    # --- looking for something ---

    def _views(self, sql: str) -> dict[str, pa.Table]:
        """The views without `samples`; findings and conditions are only loaded where they are asked
        for."""
        index, words = self.index, words_of(sql)
        views = {"recordings": index.recordings, "signals": index.signals, "jobs": index.jobs,
                 "notes": index.notes, "readings": index.readings, "work": index.work,
                 "roles": index.roles}  # fmt: skip
        if "findings" in words:
            views["findings"] = self._shown(self.findings)
        if words & {"conditions", ALIGNED}:
            views["states"] = self.states
        return views

    def _shown(self, findings: pa.Table) -> pa.Table:
        """Without the state of the files; the same table again while nothing is new."""
        kept = self._kept_view
        if kept is None or kept[0] is not findings:
            kept = self._kept_view = (findings, findings.drop_columns(["size_bytes", "mtime_ns"]))
        return kept[1]

    def find(self, chosen: Filter | None = None) -> pa.Table:
        """Rows of `recordings` that fit, newest first. Raises `UsageError`, `QueryError`."""
        chosen = chosen or Filter()
        sql, values = where(chosen)
        text = f"SELECT r.* FROM recordings r WHERE {sql} ORDER BY r.started DESC, r.recording"
        with Sql(self._views(text)) as views:
            answer = views.run(text, values)
        if chosen.condition is None or not answer.num_rows:
            return answer
        paths, in_sql = paths_of(answer), sql_of(chosen.condition)
        if self.store.root is None:  # exact ranges, several at a time
            with ThreadPoolExecutor(AT_ONCE) as pool:
                holds = pool.map(self._holds, paths, repeat(chosen.condition))
                return answer.filter(list(holds))
        if in_sql is None:
            return answer.filter([self._holds(path, chosen.condition) for path in paths])
        with Sql({}, samples_of(self.store, paths)) as views:
            found = views.run(f"SELECT DISTINCT recording FROM samples WHERE {in_sql}")
        fit = pa.compute.is_in(answer["recording"], value_set=found["recording"].combine_chunks())
        return answer.filter(fit)

    def _holds(self, path: str, condition: Expression) -> bool:
        """Whether a condition holds somewhere in a recording; not where it cannot be computed."""
        from logbench.analysis.search import find_spans  # brings scipy

        try:
            return bool(find_spans(condition, self.open(path)))
        except (SignalUnsupportedError, RecordingError):
            return False

    def query(
        self,
        sql: str,
        chosen: Filter | None = None,
        stopped: Callable[[], bool] = lambda: False,
        every_s: float = EVERY_S,
    ) -> Answer:
        """The answer to one SELECT that a person wrote, by a process that can do no harm;
        `chosen` narrows what `samples` reads, `every_s` is the step of `aligned`, and once
        `stopped()` it ends within a moment.

        Raises `QueryError`, `UsageError`.
        """
        sampled: list[str] | None = []
        words = words_of(sql)
        if words & {"samples", ALIGNED}:
            sampled = paths_of(self.find(chosen)) if chosen else None
        views, aligned = self._views(sql), ""
        if ALIGNED in words:
            columns = mentioned(words, views["signals"])
            aligned = sql_of_aligned(Aligned(columns, every_s, states=True), views["signals"])
        return self._questions.ask(sql, views, views["recordings"], sampled, stopped, aligned)

    def rows(self, sql: str, parameters: Sequence[object] = ()) -> list[dict[str, Any]]:
        """Of a SELECT of the program's own over all views but `samples`; what anybody typed is a
        parameter of it. Raises `QueryError`."""
        with Sql(self._views(sql)) as views:
            return list(views.run(sql, parameters).to_pylist())

    def views(self) -> Sql:
        """All views but `samples`, for several questions of the program's own in a row; use as a
        context manager."""
        return Sql(self._views("findings"))

    def silent_about(self, sql: str) -> str:
        """Of what a statement asks for and only a sweep makes: a sentence where it has not been
        made of all recordings; else empty."""
        words = words_of(sql)
        if "findings" in words:
            done = set(self.findings["recording"].to_pylist())
        elif words & {"conditions", "condition"}:
            done = set(self.states["recording"].to_pylist())
        else:
            return ""
        left = self.index.recordings.num_rows - len(done)
        return (
            f"{left:,} recordings have not been checked: run 'archive sweep' first." if left else ""
        )

    # --- findings ---

    def pending(
        self, recordings: Iterable[str] | None = None, only: Collection[str] | None = None
    ) -> list[Entry]:
        """Recordings that the present checks (`only` these) have not seen in their present
        state."""
        key = tuple(sorted(only or ()))
        kept = self._done  # another thread may begin a new one meanwhile
        done = kept.get(key)
        if done is None:
            done = kept[key] = states_done(self.cache, only)
        return [e for e in self.entries(recordings) if e not in done]

    def keep(self, rows: Sequence[dict[str, Any]], only: Collection[str] | None = None) -> None:
        """Keep findings that were made, by all checks or by `only` some. Raises `ArchiveError`
        where they cannot be written."""
        try:
            keep_findings(self.cache, rows, only)
        except OSError as error:
            raise ArchiveError(
                f"Findings cannot be kept in {self.cache} ({error.strerror}): free some space."
            ) from error
        self._put_in = object()
        self._findings, self._states, self._done = None, None, {}

    def findings_of(self, name: str) -> list[dict[str, Any]]:
        """The findings of one recording; made and kept now if they are not known yet."""
        path = self.resolve(name)
        for entry in self.pending([path]):
            self.keep(check_entry(self.store, entry))
        found = self.findings  # once: another thread may look again meanwhile
        rows = found.filter(pa.compute.equal(found["recording"], path))
        return list(rows.to_pylist())

    # --- care ---

    def add(self, source: Path) -> tuple[str, bool]:
        """Copy a recording in; (its path, False when its samples were there already)."""
        known = self._known  # another thread may let go of it meanwhile
        if known is None:
            table = self.index.recordings
            names = ("samples_sha256", "recording")
            pairs = zip(*(table[name].to_pylist() for name in names), strict=True)
            known = self._known = {checksum: path for checksum, path in pairs if checksum}
        path, new = add_recording(self.store, Path(source), known)
        if new:
            self._put_in = object()
            self._index = None
        return path, new

    def local_copy(self, name: str) -> Path:
        """The file of a recording on this computer; out of an object store it is fetched into the
        archive's cache. Raises `ArchiveError`, `StorageError`."""
        (entry,) = self.entries([self.resolve(name)])
        return fetched(self.store, entry, self.cache)

    def check(self, quarantine: bool = False) -> Iterator[Checked]:
        """Verify every recording; nothing is ever deleted, see `care.verify_all`."""
        index = self.refresh()
        yield from verify_all(self.store, self.entries(), index.problems, quarantine=quarantine)
        self._put_in = object()
        self._index = None


def tell_cars_apart(recordings: pa.Table, known: KnownCars) -> pa.Table:
    """The view `recordings` with the VIN behind a car's name where several cars bear the name; VINs
    that were said to be of one car count as one. What gives no VIN keeps the bare name."""
    one_car = {key: min(car.keys) for car in known.cars for key in car.keys}
    column = recordings["vin"].to_pylist()
    vins = {vin: Identity(vin=vin).known_vin for vin in set(filter(None, column))}
    names = recordings["car"].to_pylist()
    of = [one_car.get(found, found) for found in (vins.get(vin, "") for vin in column)]
    cars: dict[str, set[str]] = {}
    for name, vin in zip(names, of, strict=True):
        cars.setdefault(name, set()).update({vin} - {""})
    several = {name for name, found in cars.items() if name and len(found) > 1}
    if not several:
        return recordings
    told = [f"{n} · {vin}" if n in several and vin else n for n, vin in zip(names, of, strict=True)]
    at = recordings.schema.get_field_index("car")
    return recordings.set_column(at, recordings.schema.field(at), pa.array(told, pa.string()))
