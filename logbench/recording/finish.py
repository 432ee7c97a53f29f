"""From journals and traces to finished Parquet files, never leaving half of one."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import itertools
import logging
import os
import re
import time
import uuid
from collections.abc import Iterable, Iterator
from operator import attrgetter
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import (
    LogbenchError,
    RecordingDamagedError,
    RecordingMissingError,
    StorageError,
)
from logbench.recording.columns import dictionary_column, number_column
from logbench.recording.journal import JournalInUseError, JournalLock, JournalWriter
from logbench.recording.journal_reading import (
    FACTS_KEY,
    SUFFIX,
    JournalIndex,
    read_traces,
    scan_journal,
)
from logbench.recording.model import Facts, SignalFacts, Trace, hash_samples
from logbench.recording.storage import PART, may_pass, storage_trouble, sync_folder, write_new
from logbench.system.private import owner_only

log = logging.getLogger(__name__)

PARQUET_SCHEMA = pa.schema(
    [
        ("signal", pa.dictionary(pa.int32(), pa.string())),
        ("ecu", pa.dictionary(pa.int32(), pa.string())),
        ("t", pa.int64()),
        ("value", pa.float64()),
    ]
)
_AT_ONCE = 5_000_000
"""Samples held in memory while finishing, or those of one signal if they are more."""
_PAUSES_S = (0.1, 0.4, 1.5)
"""Between attempts to finish."""


def write_recording(path: Path, traces: Iterable[Trace], facts: Facts) -> Path:
    """Write a finished recording from traces in memory.

    Returns its name, which is `path` or, when that is taken, the next free `…-2.parquet`. The
    samples' checksum and, where missing, an id and the units are added to the facts. Raises
    `StorageError`; nothing is left behind then.
    """
    path = Path(path)
    ordered = sorted(traces, key=lambda trace: (trace.signal, trace.ecu))
    signals = (list(group) for _, group in itertools.groupby(ordered, attrgetter("signal")))
    with storage_trouble(path):
        return write_new(path, lambda part: _write_parquet(part, signals, facts))


def finish(journal: Path | JournalWriter) -> Path:
    """Turn a journal into the Parquet file it is named after, then remove the journal.

    Given the writer, it seals it first and keeps its lock; given a path, the journal is an orphan
    and the recording is marked as recovered; without a single sample or event it is removed and
    `NothingRecordedError` raised. Never overwrites a file: takes the next free name.
    Raises `StorageError` (disk full, folder read-only, another program has the journal); the
    journal stays then and `recover` tries again.
    """
    if isinstance(journal, JournalWriter):
        try:
            journal.seal()
            return _finish_again(journal.path, recovered=False, lock=journal)
        finally:
            journal.close()
    with JournalLock(Path(journal)) as lock:
        return _finish_again(Path(journal), recovered=True, lock=lock)


def samples_in(file: Path) -> int:
    """How many samples a finished recording or a journal holds, by the file itself. Raises
    `RecordingDamagedError`, `RecordingMissingError`."""
    if file.name.endswith(SUFFIX):
        return scan_journal(file).samples
    try:
        return int(pq.read_metadata(file).num_rows)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordingDamagedError(f"{file} cannot be read ({error}).") from error


def recover(folder: Path) -> list[Path]:
    """Finish all orphaned journals in `folder`; returns the recordings made, oldest name first.

    Journals that another program is writing are left alone; those that cannot be finished stay and
    are reported to the log. One without a single sample or event is removed, and so are unfinished
    files of ours that a crash left behind more than an hour ago.
    """
    made: list[Path] = []
    if not Path(folder).is_dir():
        return made
    _sweep(Path(folder))
    for journal in sorted(Path(folder).glob(f"*{SUFFIX}")):
        try:
            made.append(finish(journal))
        except (RecordingMissingError, JournalInUseError, NothingRecordedError) as error:
            log.debug("%s", error)
        except LogbenchError as error:
            log.warning("%s", error)
    return made


_LEFT_BEHIND = re.compile(r".+\.[0-9a-f]{8}\.part|\..+\.journal\.[0-9a-f]{8}\.new")
_OLD_S = 3600.0


def _sweep(folder: Path) -> None:
    for path in folder.iterdir():
        if _LEFT_BEHIND.fullmatch(path.name):
            with contextlib.suppress(OSError):  # another program was quicker, or it must stay
                if time.time() - path.stat().st_mtime > _OLD_S:
                    path.unlink()


class NothingRecordedError(LogbenchError):
    """The journal holds nothing; it has been removed."""


def _finish_again(journal: Path, *, recovered: bool, lock: JournalLock) -> Path:
    """Some attempts where the disk's fault may pass."""
    for pause_s in _PAUSES_S:
        try:
            return _finish_locked(journal, recovered=recovered, lock=lock)
        except StorageError as error:
            if not may_pass(error):
                raise
            log.warning("%s", error)
            time.sleep(pause_s)
    return _finish_locked(journal, recovered=recovered, lock=lock)


def _finish_locked(journal: Path, *, recovered: bool, lock: JournalLock) -> Path:
    wanted = journal.with_name(journal.name.removesuffix(SUFFIX))
    temporary = journal.with_name(wanted.name + PART)
    index = _read_or_set_aside(journal, lock)
    if recovered and not index.samples and not index.facts.events:
        _remove(journal, lock)
        raise NothingRecordedError(f"{journal} held no samples and was removed.")
    kept = f"nothing is lost, the samples stay in {journal.name}"
    with storage_trouble(wanted, kept=kept):
        done = _earlier_attempt(wanted, index.facts)
        temporary.unlink(missing_ok=True)
        if done is None:
            facts = index.facts.model_copy(update={"recovered": recovered})
            signals = _by_signal(journal, index)
            done = write_new(wanted, lambda part: _write_parquet(part, signals, facts), temporary)
    _remove(journal, lock)
    return done


def _read_or_set_aside(journal: Path, lock: JournalLock) -> JournalIndex:
    try:
        return scan_journal(journal)
    except RecordingDamagedError as error:
        with storage_trouble(journal):
            if journal.stat().st_size < 4096:  # killed before its header was on disk
                _remove(journal, lock)
                raise NothingRecordedError(f"{journal} was empty and was removed.") from error
            aside = journal.with_name(journal.name + ".damaged")
            os.replace(journal, aside)
        raise RecordingDamagedError(f"{error} It was set aside as {aside.name}.") from error


def _remove(journal: Path, lock: JournalLock) -> None:
    with storage_trouble(journal):
        if os.name == "nt":
            lock.close()  # an open file cannot be removed there
        journal.unlink(missing_ok=True)
        sync_folder(journal.parent)


def _earlier_attempt(wanted: Path, facts: Facts) -> Path | None:
    """The finished file of this very journal, if a crash came between its rename and our end."""
    if not facts.recording_id or not wanted.exists():
        return None
    try:
        metadata = pq.read_metadata(wanted).metadata or {}
        stored = Facts.model_validate_json(metadata.get(FACTS_KEY, b"{}"))
    except (pa.ArrowException, OSError, ValueError):
        return None
    return wanted if stored.recording_id == facts.recording_id else None


def _by_signal(journal: Path, index: JournalIndex) -> Iterator[list[Trace]]:
    """The journal's traces, those of one signal at a time, sorted by signal and ECU.

    The journal is gone through once for every `_AT_ONCE` samples, so that a long recording needs no
    more memory than a short one.
    """
    held = [number for number, count in enumerate(index.counts) if count]
    signals = sorted({index.keys[number][0] for number in held})
    numbers = {
        s: sorted((n for n in held if index.keys[n][0] == s), key=index.keys.__getitem__)
        for s in signals
    }
    while signals:
        group = [signals.pop(0)]
        room = _AT_ONCE - sum(int(index.counts[n]) for n in numbers[group[0]])
        while signals and (more := sum(int(index.counts[n]) for n in numbers[signals[0]])) <= room:
            group.append(signals.pop(0))
            room -= more
        found = read_traces(journal, index, [n for signal in group for n in numbers[signal]])
        for signal in group:
            yield [Trace(*index.keys[n], "", *found.pop(n)) for n in numbers[signal]]


def _write_parquet(path: Path, signals: Iterable[list[Trace]], facts: Facts) -> None:
    """Write and fsync the whole file; `OSError` from the disk goes to the caller.

    `signals`: the traces of one signal at a time, sorted by signal and ECU.
    """
    digest = hashlib.sha256()
    units: dict[str, str] = {}
    ecus: dict[str, str] = {}
    with open(path, "xb", opener=owner_only) as sink:
        with _parquet_writer(sink) as writer:
            for unsorted in signals:
                traces = [trace.in_order() for trace in unsorted]
                for trace in traces:
                    hash_samples(digest, trace)
                    units[trace.signal] = trace.unit or units.get(trace.signal, "")
                    ecus[trace.ecu] = ""
                table = _table(traces)
                if table.num_rows:
                    writer.write_table(table, row_group_size=table.num_rows)
            complete = _completed(facts, units, ecus, digest.hexdigest())
            writer.add_key_value_metadata(_metadata(complete))
        sink.flush()
        os.fsync(sink.fileno())


def _parquet_writer(sink: BinaryIO) -> pq.ParquetWriter:
    return pq.ParquetWriter(
        sink,
        PARQUET_SCHEMA,
        store_schema=False,  # `_metadata` does, once the facts are complete
        compression="zstd",
        compression_level=6,  # 2.5 % smaller than the default and no slower to speak of
        use_dictionary=["signal", "ecu"],
        column_encoding={"t": "DELTA_BINARY_PACKED", "value": "BYTE_STREAM_SPLIT"},
        write_statistics=True,
        write_page_index=True,
        sorting_columns=[pq.SortingColumn(0), pq.SortingColumn(2)],
    )


def _metadata(facts: Facts) -> dict[str, str]:
    """The facts as the file's metadata, and within Arrow's schema, where they survive being read
    and written again by Arrow (its format: Parquet C++, key `ARROW:schema`)."""
    document = facts.model_dump_json()
    schema = PARQUET_SCHEMA.with_metadata({FACTS_KEY: document.encode()}).serialize()
    return {
        FACTS_KEY.decode(): document,
        "ARROW:schema": base64.b64encode(schema.to_pybytes()).decode(),
    }


def _completed(facts: Facts, units: dict[str, str], ecus: dict[str, str], sha256: str) -> Facts:
    """The facts with what they say of the samples: unit by signal, ECUs, checksum."""
    signals = dict(facts.signals)
    for signal, unit in units.items():
        known = signals.get(signal, SignalFacts())
        signals[signal] = known.model_copy(update={"unit": known.unit or unit})
    return facts.model_copy(
        update={
            "recording_id": facts.recording_id or uuid.uuid4().hex,
            "signals": signals,
            "ecus": ecus | facts.ecus,
            "events": sorted(facts.events, key=lambda event: event.t_ns),
            "samples_sha256": sha256,
        }
    )


def _table(traces: list[Trace]) -> pa.Table:
    """All traces of one signal as one table, in order of time."""
    ecus = [trace.ecu for trace in traces]
    number = np.repeat(np.arange(len(traces), dtype=np.int32), [len(trace) for trace in traces])
    t_ns: npt.NDArray[np.int64] = np.concatenate(
        [np.asarray(trace.t_ns, np.int64) for trace in traces]
    )
    value = np.concatenate([np.asarray(trace.value, np.float64) for trace in traces])
    if len(traces) > 1:
        order = np.argsort(t_ns, kind="stable")
        number, t_ns, value = number[order], t_ns[order], value[order]
    columns = [
        dictionary_column(np.zeros(len(t_ns), np.int32), [traces[0].signal]),
        dictionary_column(number, ecus),
        number_column(t_ns),
        number_column(value),
    ]
    return pa.Table.from_arrays(columns, schema=PARQUET_SCHEMA)


def check_folder(folder: Path) -> None:
    """Say at once, before a drive, that nothing could be written to `folder`.

    Raises `StorageError`.
    """
    if not folder.is_dir():
        raise StorageError(f"The folder {folder} does not exist: choose another folder.")
    probe = folder / f".{uuid.uuid4().hex[:8]}{PART}"
    with storage_trouble(folder):
        try:
            with open(probe, "xb", opener=owner_only) as file:
                file.write(b"\0" * 4096)
        finally:
            probe.unlink(missing_ok=True)
