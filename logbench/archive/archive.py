"""An archive as the rest of the program sees it."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import repeat
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import pyarrow as pa

from logbench.analysis.expression.checked import Expression
from logbench.archive.aligned import EVERY_S, Aligned, mentioned, sql_of_aligned
from logbench.archive.care import Checked, add_recording, fetched, verify_all
from logbench.archive.codes import codes_of
from logbench.archive.columns import table_of
from logbench.archive.find import Filter, paths_of, sql_of
from logbench.archive.findings import (
    check_entry,
    checks_version,
    current,
    current_among,
    keep_findings,
    load_findings,
    states_done,
)
from logbench.archive.index import TOLD_APART, Index, build_index, cache_folder, known_index
from logbench.archive.kept import Part, State, give_up_broken
from logbench.archive.listing import count_of, newest
from logbench.archive.looking import Progress
from logbench.archive.partitions import Pair, chosen_of
from logbench.archive.query import Samples, Source, Sql, samples_of
from logbench.archive.questions import Answer, Questions
from logbench.archive.reading import open_entry
from logbench.archive.states import load_states
from logbench.archive.store import AT_ONCE, STATE, SUFFIX, Entry, entries_of, odd_name, open_store
from logbench.archive.views import ALIGNED, words_of
from logbench.car.identity import Identity
from logbench.car.known import KnownCars
from logbench.errors import ArchiveError, QueryError, RecordingError, SignalUnsupportedError
from logbench.recording.reader import Recording
from logbench.system.memory import work_bytes

if TYPE_CHECKING:
    from logbench.analysis.bands import Bands

T = TypeVar("T")


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
        bands: Bands | None = None,
    ) -> None:
        """`cache`: base folder for what is known of archives; None: the user's cache folder.
        `cars`: those met before, by which recordings of one name are told apart. `memory_bytes`:
        what a question may take; 0: a quarter of what the computer has. `bands`: somebody's own
        bands and checks, whose findings are kept by themselves; None: the program's.

        Raises `ArchiveError` when the place is not understood or no folder.
        """
        self.store = open_store(place)
        self.place = os.fspath(place) if self.store.root is None else str(self.store.root)
        """How a worker process opens the same archive."""
        self.cache = cache_folder(self.store, cache)
        self.cars = cars or KnownCars()
        self.bands = bands
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

    def refresh(self, progress: Progress | None = None, folders: Collection[str] = ()) -> Index:
        """Look again; only new and changed files are read. `folders`, like `year=2026`: only these
        are looked into. Raises `ArchiveError`, `UsageError`."""
        chosen = chosen_of(folders)
        with self._looking:
            before = self._put_in
            index = self._take(build_index(self.store, self.cache, progress, chosen))
            if self._put_in is not before:
                self._index = None
        return index

    def as_known(self) -> Index:
        """Take what was known when the archive was last looked through, and leave it alone; look
        where nothing is known. Raises `ArchiveError`."""
        known = known_index(self.cache)
        if known is None:
            return self.refresh()
        with self._looking:
            return self._take(known)

    def _take(self, index: Index) -> Index:
        index = replace(index, told=tell_cars_apart(index.kept.namesakes, self.cars))
        self._index, self._findings, self._known, self._done = index, None, None, {}
        self._states = None
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
            found = self._findings = current(load_findings(self.cache, self.bands), index.views())
            if self._put_in is not before or self._index is not index:
                self._findings = None
        return found

    def findings_among(self, recordings: Sequence[str]) -> pa.Table:
        """The same of a few recordings, without reading those of all. Raises `QueryError`."""
        if self._findings is not None:
            return self._findings
        views = self.index.views(self.index.kept.of_paths(recordings))
        return current_among(self.cache, views, recordings, self.bands)

    @property
    def states(self) -> pa.Table:
        """What the cars were doing, as far as it is kept for the present files: see `STATES`."""
        found = self._states
        if found is None:
            before, index = self._put_in, self.index
            found = self._states = load_states(self.cache, checks_version(), index.views())
            if self._put_in is not before or self._index is not index:
                self._states = None
        return found

    def entries(self, recordings: Iterable[str] | None = None) -> list[Entry]:
        """The files behind recordings, or behind all. Raises `ArchiveError` for an unknown one."""
        if recordings is None:
            names = ", ".join(STATE)
            return entries_of(self._run(f"SELECT {names} FROM recordings ORDER BY recording"))
        return [self._state(path).entry for path in recordings]

    def _state(self, path: str) -> State:
        found = self.index.state_of(path)
        if found is None:
            raise ArchiveError(f"There is no recording {path} in the archive.")
        return found

    def resolve(self, name: str) -> str:
        """A recording's path from its path, the end of it, or the beginning of its id.

        Raises `ArchiveError` when there is none or more than one.
        """
        if self.index.state_of(name) is not None:
            return name
        wanted, found = name.removesuffix(SUFFIX), list[str]()
        for sql in (_ENDS, _BEGINS) if wanted and not odd_name(wanted) else ():
            found = found or paths_of(self._run(sql, [wanted]))
        if len(found) == 1:
            return found[0]
        some = f"; it may be {', '.join(found[:4])}" if found else ""
        raise ArchiveError(f"There is no one recording {name!r} in the archive{some}.")

    def open(self, name: str) -> Recording:
        """Open a recording. Raises `ArchiveError`, and what `open_recording` raises."""
        state = self._state(self.resolve(name))
        return open_entry(self.store, state.entry, state.footer_bytes, noted=bool(state.noted))

    # --- looking for something ---

    def _views(self, sql: str, parts: Sequence[Part] | None = None) -> dict[str, Source]:
        """The views without `samples`, of some `parts` of the index or all; findings and conditions
        are only loaded where they are asked for."""
        words, views = words_of(sql), self.index.views(parts)
        if "findings" in words:
            views["findings"] = self._shown(self.findings)
        if words & {"conditions", ALIGNED}:
            views["states"] = self.states
        if "codes" in words:
            views["codes"] = codes_of(self.store, self.index.readings, self.cache)
        return views

    def _run(self, sql: str, parameters: Sequence[object] = ()) -> pa.Table:
        """A statement of the program's own over all views but `samples`."""

        def ask() -> pa.Table:
            with Sql(self._views(sql)) as views:
                return views.run(sql, parameters)

        return self._mended(ask)

    def _mended(self, ask: Callable[[], T]) -> T:
        """An answer; where a part of what is known is broken, once more after it was made anew."""
        try:
            return ask()
        except QueryError:
            if not give_up_broken(self.index.kept):
                raise
            self.refresh()
            return ask()

    def _shown(self, findings: pa.Table) -> pa.Table:
        """Without the state of the files; the same table again while nothing is new."""
        kept = self._kept_view
        if kept is None or kept[0] is not findings:
            kept = self._kept_view = (findings, findings.drop_columns(["size_bytes", "mtime_ns"]))
        return kept[1]

    def find(self, chosen: Filter | None = None, limit: int | None = None) -> pa.Table:
        """Rows of `recordings` that fit, newest first, at most `limit`: few are found without
        reading all that is known. Raises `UsageError`, `QueryError`."""
        chosen = chosen or Filter()
        most = limit if chosen.condition is None else None
        answer = self._mended(lambda: newest(self.index, self._views, chosen, most))
        return self._fitting(answer, chosen).slice(0, limit)

    def count(self, chosen: Filter) -> int:
        """How many fit. Raises `UsageError`, `QueryError`."""
        if not chosen:
            return len(self.index)
        if chosen.condition is not None:
            return len(self.find(chosen))
        return count_of(self.index, self._views, chosen)

    def _fitting(self, answer: pa.Table, chosen: Filter) -> pa.Table:
        """Those of which the condition holds."""
        if chosen.condition is None or not answer.num_rows:
            return answer
        paths, in_sql = paths_of(answer), sql_of(chosen.condition)
        if self.store.root is None:  # exact ranges, several at a time
            with ThreadPoolExecutor(AT_ONCE) as pool:
                holds = pool.map(self._holds, paths, repeat(chosen.condition))
                return answer.filter(list(holds))
        if in_sql is None:
            return answer.filter([self._holds(path, chosen.condition) for path in paths])
        with Sql({}, self.samples(paths)) as views:
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

    def samples(self, recordings: Sequence[str]) -> Samples:
        """What the view `samples` of the program's own statements reads."""
        far = () if self.store.root is not None else self.index.far_files
        return samples_of(self.store, recordings, far)

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
        views, aligned = self._tables(sql), ""
        if ALIGNED in words:
            signals = self.index.signals
            columns = mentioned(words, signals)
            aligned = sql_of_aligned(Aligned(columns, every_s, states=True), signals)
        return self._questions.ask(sql, views, self.index, sampled, stopped, aligned)

    def _tables(self, sql: str) -> dict[str, pa.Table]:
        """The views for another process: those that a statement speaks of, in memory."""
        words, index, views = words_of(sql), self.index, self._views(sql)
        for name, word in (("recordings", "cars"), ("signals", ALIGNED), ("notes", "")):
            needed = words & {name, word} or name == "recordings"
            if needed:
                views[name] = getattr(index, name)
            else:
                del views[name]
        views.pop("told_apart", None)
        return views

    def rows(self, sql: str, parameters: Sequence[object] = ()) -> list[dict[str, Any]]:
        """Of a SELECT of the program's own over all views but `samples`; what anybody typed is a
        parameter of it. Raises `QueryError`."""
        return list(self._run(sql, parameters).to_pylist())

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
        left = len(self.index) - len(done)
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
            done = kept[key] = states_done(self.cache, only, self.bands)
        return [e for e in self.entries(recordings) if e not in done]

    def keep(self, rows: Sequence[dict[str, Any]], only: Collection[str] | None = None) -> None:
        """Keep findings that were made, by all checks or by `only` some. Raises `ArchiveError`
        where they cannot be written."""
        try:
            keep_findings(self.cache, rows, only, self.bands)
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
            self.keep(check_entry(self.store, entry, bands=self.bands))
        found = self.findings  # once: another thread may look again meanwhile
        rows = found.filter(pa.compute.equal(found["recording"], path))
        return list(rows.to_pylist())

    # --- care ---

    def add(self, source: Path) -> tuple[str, bool]:
        """Copy a recording in; (its path, False when its samples were there already)."""
        known = self._known  # another thread may let go of it meanwhile
        if known is None:
            table = self._run("SELECT samples_sha256, recording FROM recordings")
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


_ENDS = """SELECT recording FROM recordings WHERE ends_with(
    '/' || regexp_replace(recording, '\\.parquet$', ''), '/' || ?) ORDER BY recording LIMIT 5"""
_BEGINS = "SELECT recording FROM recordings WHERE starts_with(recording_id, ?) ORDER BY 1 LIMIT 5"


def tell_cars_apart(namesakes: Iterable[Pair], known: KnownCars) -> pa.Table:
    """How cars of one name are shown (see `TOLD_APART`): with the VIN behind it where several bear
    the name; VINs that were said to be of one car count as one. What gives no VIN keeps the bare
    name. `namesakes`: names of cars, each with the VINs it stands with."""
    one_car = {key: min(car.keys) for car in known.cars for key in car.keys}
    found = {(name, vin): Identity(vin=vin).known_vin for name, vin in namesakes}
    of = {pair: one_car.get(vin, vin) for pair, vin in found.items()}
    cars: dict[str, set[str]] = {}
    for (name, _), vin in of.items():
        cars.setdefault(name, set()).update({vin} - {""})
    rows = [
        {"car": name, "vin": vin, "shown": f"{name} · {key}"}
        for (name, vin), key in of.items()
        if key and len(cars[name]) > 1
    ]
    return table_of(rows, TOLD_APART)
