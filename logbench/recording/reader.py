"""Reading recordings: facts at once, each trace when it is asked for."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from logbench.errors import (
    NotARecordingError,
    RecordingDamagedError,
    RecordingError,
    RecordingMissingError,
    RecordingTooNewError,
    SignalUnsupportedError,
)
from logbench.foreign import in_html, in_terminal
from logbench.recording.columns import FACTS_KEY, number_column, numbers_of
from logbench.recording.corrections import with_corrections
from logbench.recording.even import MOST_T_NS
from logbench.recording.exchanges import Said, exchanges_in, part_of
from logbench.recording.footer import MAGIC, Believed, believe
from logbench.recording.journal_reading import SUFFIX
from logbench.recording.model import SCHEMA_VERSION, Facts, Trace, hash_samples
from logbench.recording.preview import shrunk, svg_of
from logbench.system.limits import NAME_CHARS, TRACES
from logbench.system.reading import open_plain

if TYPE_CHECKING:
    import pandas as pd

_COLUMNS = ("signal", "ecu", "t", "value")

Loader = Callable[[str], dict[str, Trace]]
"""From a signal's acronym to its traces by ECU."""
Opened = Callable[[], AbstractContextManager[pq.ParquetFile]]
"""Opens a recording's file."""


class Recording:
    """All samples of one drive with its facts; traces are read when asked for and then kept. Its
    length is the number of its traces, and it iterates over them.

    Holds no file open between reads.
    """

    def __init__(
        self,
        facts: Facts,
        ecus_by_signal: Mapping[str, tuple[str, ...]],
        load: Loader,
        *,
        duration_ns: int,
        path: Path | None = None,
    ) -> None:
        """Use `open_recording` or `Recording.of`."""
        self.facts = facts
        self.path = path
        """The file it was read from; None when it is in memory only."""
        self.duration_ns = duration_ns
        """Time of the last sample, ns; 0 when there is none."""
        self._ecus = dict(sorted(ecus_by_signal.items()))
        self._load = load
        self._kept: dict[str, dict[str, Trace]] = {}

    @classmethod
    def of(cls, traces: Iterable[Trace], facts: Facts | None = None) -> Recording:
        """A recording in memory, for tests and for what is not on disk yet."""
        by_signal: dict[str, dict[str, Trace]] = {}
        for trace in traces:
            by_signal.setdefault(trace.signal, {})[trace.ecu] = trace
        last = [t.t_ns[-1] for ecus in by_signal.values() for t in ecus.values() if len(t)]
        return cls(
            facts or Facts(),
            {signal: tuple(ecus) for signal, ecus in by_signal.items()},
            by_signal.__getitem__,
            duration_ns=int(max(last, default=0)),
        )

    @property
    def signals(self) -> tuple[str, ...]:
        """Acronyms of the signals it holds, sorted."""
        return tuple(self._ecus)

    @property
    def keys(self) -> tuple[tuple[str, str], ...]:
        """(signal, ECU) of every trace, sorted by signal, engine (the lowest address) first."""
        return tuple((signal, ecu) for signal, ecus in self._ecus.items() for ecu in sorted(ecus))

    def __contains__(self, signal: str) -> bool:
        return signal in self._ecus

    def __len__(self) -> int:
        return len(self.keys)

    def __bool__(self) -> bool:
        return True

    def __iter__(self) -> Iterator[Trace]:
        return (self.trace(*key) for key in self.keys)

    def __repr__(self) -> str:
        car = in_terminal(self.facts.vehicle.called) or "an unnamed car"
        started = in_terminal(self.facts.started[:16]) or "date not known"
        length = f"{self.duration_ns / 60e9:.1f} min"
        return f"<recording of {car}, {started}, {length}, {len(self)} traces>"

    def _repr_html_(self) -> str:
        """For a notebook: each trace with a small plot."""
        rows = "".join(
            f"<tr><td>{in_html(t.signal)}</td><td>{in_html(t.ecu)}</td><td>{len(t):,}</td>"
            f"<td>{in_html(t.unit)}</td><td>{svg_of(shrunk(t, self.duration_ns))}</td></tr>"
            for t in self
        )
        head = "".join(f"<th>{name}</th>" for name in ("signal", "ECU", "samples", "unit", ""))
        return f"<p>{in_html(repr(self).strip('<>'))}</p><table><tr>{head}</tr>{rows}</table>"

    def trace(self, signal: str, ecu: str | None = None) -> Trace:
        """The samples of one signal; of the lowest ECU address that reports it unless one is given.

        Raises `SignalUnsupportedError` when the recording does not hold it, `RecordingDamagedError`
        when its part of the file cannot be read.
        """
        ecus = self._ecus.get(signal)
        if ecus is None:
            raise SignalUnsupportedError(
                f"This recording does not hold {signal}: it holds {_listed(self.signals)}."
            )
        chosen = min(ecus) if ecu is None else ecu
        if chosen not in ecus:
            raise SignalUnsupportedError(
                f"This recording holds no {signal} of ECU {ecu}: only of {_listed(sorted(ecus))}."
            )
        if signal not in self._kept:
            self._kept[signal] = self._load(signal)
        return self._kept[signal][chosen]

    def traces(self, signals: Iterable[str] | str | None = None) -> list[Trace]:
        """All traces, or all of the named signals, or of one, in the order of `keys`."""
        wanted = None if signals is None else {signals} if isinstance(signals, str) else {*signals}
        if wanted is not None and (missing := wanted - set(self._ecus)):
            self.trace(min(missing))  # raises
        return [self.trace(s, ecu) for s, ecu in self.keys if wanted is None or s in wanted]

    def frame(self, signals: Iterable[str] | str | None = None) -> pd.DataFrame:
        """A tidy frame: `signal` and `ecu` (categories), `t_s` in seconds, `value`, `unit`.

        One row a sample, sorted by signal, ECU and time.
        """
        import pandas as pd  # takes 0.4 s

        traces = self.traces(signals)
        counts = [len(trace) for trace in traces]

        def repeated(names: list[str]) -> pd.Categorical:
            every = pd.Index(sorted(set(names)), dtype="object")
            return pd.Categorical(np.repeat(np.array(names, object), counts), categories=every)

        return pd.DataFrame(
            {
                "signal": repeated([trace.signal for trace in traces]),
                "ecu": repeated([trace.ecu for trace in traces]),
                "t_s": np.concatenate([np.empty(0), *(trace.t_s for trace in traces)]),
                "value": np.concatenate([np.empty(0), *(trace.value for trace in traces)]),
                "unit": repeated([trace.unit for trace in traces]),
            }
        )

    def intact(self) -> bool | None:
        """Whether the samples still are what was recorded; None when no checksum is stored."""
        if not self.facts.samples_sha256:
            return None
        return self.checksum()[1] == self.facts.samples_sha256

    def exchanges(self) -> Iterator[Said]:
        """What was sent to the car and what it answered; nothing where that is not kept. Raises
        `RecordingDamagedError` where it is not what was recorded."""
        with self._damage_told():
            if self.path is not None and self.facts.exchanges is not None:
                yield from exchanges_in(self.path, self.facts.exchanges)

    def check_exchanges(self) -> None:
        """By their checksum; raises as `exchanges`."""
        with self._damage_told():
            if self.path is not None and self.facts.exchanges is not None:
                part_of(self.path, self.facts.exchanges)

    @contextmanager
    def _damage_told(self) -> Iterator[None]:
        try:
            yield
        except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
            why = f"{self.path}: what was exchanged with the car cannot be read ({error})."
            raise RecordingDamagedError(why) from error

    def checksum(self) -> tuple[int, str]:
        """How many samples there are, and their SHA-256: read anew, none is kept. Raises
        `RecordingDamagedError`."""
        digest, count = hashlib.sha256(), 0
        for signal in self.signals:
            traces = self._load(signal)
            for ecu in sorted(traces):
                hash_samples(digest, traces[ecu])
                count += len(traces[ecu])
        return count, digest.hexdigest()


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "nothing"


# --- files --------------------------------------------------------------------------------------


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a finished recording; only the file's footer is read yet.

    Raises `RecordingMissingError`, `NotARecordingError`, `RecordingDamagedError`,
    `RecordingTooNewError`.
    """
    path = Path(path)
    believed, metadata = _footer(path)
    facts = with_corrections(path, facts_of(path, metadata))
    schema, count = metadata.schema, metadata.num_columns
    if count != len(_COLUMNS) or tuple(schema.column(k).path for k in range(count)) != _COLUMNS:
        raise NotARecordingError(
            f"{path} has other columns than a recording ({_listed(_COLUMNS)}): import it instead."
        )

    def opened() -> pq.ParquetFile:
        return pq.ParquetFile(_open(path), metadata=metadata, read_dictionary=["signal", "ecu"])

    _refuse_unsound_chunks(path, metadata, opened)
    unreadable = partial(_unreadable, path)
    source = ParquetSource(metadata, facts, opened, unreadable, believed.check_pages)
    return source.recording(path)


def _open(path: Path) -> pa.NativeFile:
    """The file, whatever its name is made of."""
    return pa.OSFile(os.fsencode(path))


def _footer(path: Path) -> tuple[Believed, pq.FileMetaData]:
    _refuse_others(path)
    try:
        believed = believe(path)
        if any(chunk.values != chunk.rows for group in believed.chunks for chunk in group):
            raise ValueError("it claims columns of different lengths")
        return believed, pq.read_metadata(_open(path))
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise _unreadable(path, error) from error


def _refuse_unsound_chunks(path: Path, metadata: pq.FileMetaData, opened: Opened) -> None:
    """Raise `RecordingDamagedError` where a column chunk's description cannot be.

    WORKAROUND: pyarrow ends the process when such a description, or the statistics of a chunk of
    another type than the schema's, are looked at from Python. Starting to read a chunk looks at the
    same description and raises.
    """
    kinds = [metadata.schema.column(k).physical_type for k in range(metadata.num_columns)]
    try:
        with opened() as file:
            for number in range(metadata.num_row_groups):
                next(file.iter_batches(1, row_groups=[number], use_threads=False), None)
                group = metadata.row_group(number)
                if [group.column(k).physical_type for k in range(len(kinds))] != kinds:
                    raise ValueError("chunks of other types than the schema")
    except (pa.ArrowException, OSError, ValueError, TypeError, MemoryError) as error:
        raise _unreadable(path, error) from error


def _refuse_others(path: Path) -> None:
    """Tell by its name and first bytes what kind of file it is not."""
    if not os.path.exists(path):
        raise RecordingMissingError(f"There is no file {path}: check the name and the folder.")
    if path.is_dir():
        raise NotARecordingError(f"{path} is a folder: name a recording in it.")
    if path.name.endswith(SUFFIX):
        raise NotARecordingError(
            f"{path} is the journal of a recording that was not finished: `logbench recover` with "
            "its folder makes a recording of it."
        )
    try:
        with open_plain(path) as file:
            head = file.read(4)
    except OSError as error:
        raise RecordingDamagedError(f"{path} cannot be read ({error.strerror}).") from error
    if head != MAGIC:
        raise NotARecordingError(
            f"{path} is not a recording (not a Parquet file): choose a recording or import it."
        )


def _unreadable(path: Path, error: Exception) -> RecordingError:
    if isinstance(error, FileNotFoundError):
        return RecordingMissingError(f"{path} is gone.")
    why = f" ({error})" if type(error) is ValueError else ""
    return RecordingDamagedError(
        f"{path} is cut short or damaged and cannot be read{why}: use another copy of it."
    )


def facts_of(path: Path | str, metadata: pq.FileMetaData) -> Facts:
    """The facts in a footer; `path` names the file. Raises `NotARecordingError`,
    `RecordingDamagedError`, `RecordingTooNewError`."""
    document = (metadata.metadata or {}).get(FACTS_KEY)
    if document is None:
        raise NotARecordingError(
            f"{path} is a Parquet file, but no recording (it holds no {FACTS_KEY.decode()}): "
            "import it instead."
        )
    try:
        content = json.loads(document)
        version = str(content.get("schema_version", ""))
        if int(version.split(".", maxsplit=1)[0]) > int(SCHEMA_VERSION.split(".")[0]):
            raise RecordingTooNewError(
                f"{path} was written by a newer version of the program (format {version[:20]}, "
                f"this one knows {SCHEMA_VERSION}): update logbench to open it."
            )
        return Facts.model_validate(content)
    except (ValueError, AttributeError, RecursionError) as error:  # pydantic's are ValueErrors
        raise RecordingDamagedError(
            f"The facts stored in {path} cannot be understood: use another copy of it."
        ) from error


class ParquetSource:
    """Which row groups of a file hold which signal, and how to read one."""

    def __init__(
        self,
        metadata: pq.FileMetaData,
        facts: Facts,
        opened: Opened,
        unreadable: Callable[[Exception], RecordingError],
        check_pages: Callable[[Sequence[int], Sequence[int]], object] = lambda *_: None,
    ) -> None:
        """`unreadable`: what is raised for an error met in the file that `opened` opens;
        `check_pages`: looks at what is to be read of some row groups and columns, and raises
        `ValueError` for what is too large."""
        self._metadata = metadata
        self._facts = facts
        self._opened = opened
        self._unreadable = unreadable
        self._check_pages = check_pages
        self._groups: dict[str, list[int]] = {}
        self._ecus: dict[str, set[str]] = {}
        self._claimed: dict[int, int] = {}
        """Row group to its last time, as its statistics say."""

    def recording(self, path: Path | None = None) -> Recording:
        """The recording; `path`: where it is on this computer."""
        try:
            last = [self._take_in(group) for group in range(self._metadata.num_row_groups)]
        except (pa.ArrowException, OSError, ValueError, TypeError, AttributeError) as error:
            raise self._unreadable(error) from error
        ecus = {signal: tuple(sorted(ecus)) for signal, ecus in self._ecus.items()}
        end_ns = max(last, default=0)
        return Recording(self._facts, ecus, self._load, duration_ns=end_ns, path=path)

    def _take_in(self, group: int) -> int:
        """Note signal and ECUs of a row group; returns its last time."""
        for signal, ecu in self._pairs(group):
            groups = self._groups.setdefault(signal, [])
            if group not in groups:
                groups.append(group)
            self._ecus.setdefault(signal, set()).add(ecu)
        statistics = self._metadata.row_group(group).column(2).statistics
        if statistics is None or not statistics.has_min_max:
            return int(self._read([group], ["t"]).column(0).to_numpy().max(initial=0))
        self._claimed[group] = int(statistics.max)
        return self._claimed[group]

    def _pairs(self, group: int) -> set[tuple[str, str]]:
        """(signal, ECU) in a row group: from its statistics where they name one of each."""
        if self._is_single(group, 0) and self._is_single(group, 1):
            columns = [self._metadata.row_group(group).column(k).statistics for k in (0, 1)]
            return {(str(columns[0].min), str(columns[1].min))}
        table = self._read([group], ["signal", "ecu"])
        signals, names = _codes_of(table["signal"])
        ecus, addresses = _codes_of(table["ecu"])
        pairs = np.unique(signals.astype(np.int64) * len(addresses) + ecus)
        if len(pairs) > TRACES:
            raise ValueError(f"it holds {len(pairs):,} traces")
        return {
            (names[code // len(addresses)], addresses[code % len(addresses)])
            for code in pairs.tolist()
        }

    def _is_single(self, group: int, column: int) -> bool:
        statistics = self._metadata.row_group(group).column(column).statistics
        if statistics is None or not statistics.has_min_max or statistics.null_count:
            return False
        return bool(statistics.min == statistics.max)

    def _read(self, groups: list[int], columns: list[str]) -> pa.Table:
        self._check_pages(groups, [_COLUMNS.index(column) for column in columns])
        with self._opened() as file:
            return file.read_row_groups(groups, columns=columns, use_threads=False)

    def _load(self, signal: str) -> dict[str, Trace]:
        several = len(self._ecus[signal]) > 1 or any(
            not self._is_single(group, 0) for group in self._groups[signal]
        )
        columns = list(_COLUMNS) if several else ["t", "value"]
        try:
            table = self._read(self._groups[signal], columns)
            self._check_claims(self._groups[signal], table)
            return self._split(signal, table, several)
        except (pa.ArrowException, OSError, ValueError, TypeError, MemoryError) as error:
            raise self._unreadable(error) from error

    def _check_claims(self, groups: list[int], table: pa.Table) -> None:
        """The statistics, by which a drive's length was told, must not lie. Raises `ValueError`."""
        claimed = [self._claimed.get(group) for group in groups]
        if None not in claimed and len(table) and pc.max(table["t"]).as_py() not in claimed:
            raise ValueError("its times are not those it claims")

    def _split(self, signal: str, table: pa.Table, several: bool) -> dict[str, Trace]:
        known = self._facts.signals.get(signal)
        unit = known.unit if known else ""
        if not several:
            (ecu,) = self._ecus[signal]
            return {ecu: Trace(signal, ecu, unit, *_arrays_of(table))}
        signals, names = _codes_of(table["signal"])
        ecus, addresses = _codes_of(table["ecu"])
        mine = signals == names.index(signal)
        rows = {ecu: mine & (ecus == addresses.index(ecu)) for ecu in self._ecus[signal]}
        whole = _arrays_of(table)
        return {
            ecu: Trace(signal, ecu, unit, *(column[own] for column in whole))
            for ecu, own in rows.items()
        }


def _codes_of(column: pa.ChunkedArray) -> tuple[npt.NDArray[np.int32], list[str]]:
    """A column of names as numbers, shape (n,), that index into its different texts; it is never
    unpacked, for one long name may stand in many rows. Raises `ValueError`."""
    joined = column.unify_dictionaries().combine_chunks()
    texts = joined.dictionary.cast(pa.string()).to_pylist()
    if any(text is None or len(text) > NAME_CHARS for text in texts):
        raise ValueError("a name is too long")
    return numbers_of(joined.indices, np.int32), texts


def _arrays_of(table: pa.Table) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Times and values as read-only arrays; a null value is NaN, a null time an error, as is one
    further than `MOST_T_NS` from the start."""
    t_ns = pc.cast(table["t"], pa.int64()).combine_chunks()
    ends = pc.min_max(t_ns).as_py()
    if len(t_ns) and not -MOST_T_NS <= ends["min"] <= ends["max"] <= MOST_T_NS:
        raise ValueError("times that no drive has")
    value = pc.cast(table["value"], pa.float64()).combine_chunks()
    if value.null_count:  # the scalar is not made from a Python number: that imports pandas
        value = pc.fill_null(value, number_column(np.array([np.nan]))[0])
    return numbers_of(t_ns, np.int64), numbers_of(value, np.float64)
