"""From journals and traces to finished Parquet files, never leaving half of one."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import logging
import os
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import (
    LogbenchError,
    RecordingDamagedError,
    RecordingError,
    SamplesMissingError,
    StorageError,
)
from logbench.recording.even import MOST_T_NS
from logbench.recording.exchanges import Block, Said, blocks_of, unpack
from logbench.recording.journal import JournalLock, JournalWriter
from logbench.recording.journal_reading import (
    SUFFIX,
    JournalIndex,
    Samples,
    read_traces,
    scan_journal,
    scanned,
)
from logbench.recording.model import (
    Facts,
    Trace,
    hash_samples,
)
from logbench.recording.place import Place
from logbench.recording.places import rescue_folder
from logbench.recording.reader import Recording, open_recording
from logbench.recording.storage import (
    may_pass,
    numbered,
    storage_trouble,
    unfinished,
    write_new,
)
from logbench.recording.writing import write_proven
from logbench.system.platforms import open_files_can_go, sync_folder
from logbench.system.private import make_folder
from logbench.system.progress import Told, counted, untold, within

log = logging.getLogger(__name__)

_AT_ONCE = 8_000_000
"""Samples held in memory while finishing, or those of one signal if they are more."""
_PACKED_AT_ONCE = 100_000_000
"""Bytes of packed exchanges that are held while finishing: a day's."""
_WRITTEN = 0.7
"""Of the work, what is done when all is written; the rest is reading it back."""
_PAUSES_S = (0.1, 0.4, 1.5)
"""Between attempts to finish."""


def write_recording(
    path: Path,
    traces: Iterable[Trace],
    facts: Facts,
    exchanges: Iterable[Said] = (),
    *,
    told: Told = untold,
    plain: bool = False,
) -> Path:
    """Write a finished recording from traces in memory, with the `exchanges` they were made of.
    `plain`: for readers that know few encodings.

    Returns its name, which is `path` or, when that is taken, the next free `…-2.parquet`. The
    samples' checksum and, where missing, an id and the units are added to the facts. A trace
    without a sample is in no file. Raises `StorageError`; nothing is left behind then.
    """
    path = Path(path)
    in_order = (trace.in_order() for trace in traces if len(trace))
    ordered = sorted(in_order, key=lambda trace: (trace.signal, trace.ecu))
    for trace in ordered:
        if not -MOST_T_NS <= trace.t_ns[0] <= trace.t_ns[-1] <= MOST_T_NS:
            raise StorageError(
                f"{path} cannot hold {trace.signal}: its times reach further than 73 years from "
                "the start."
            )
    signals = [list(group) for _, group in itertools.groupby(ordered, attrgetter("signal"))]
    each = counted(signals, len(signals), within(told, 0.0, _WRITTEN), every=1)
    with storage_trouble(path):
        blocks = blocks_of(exchanges)

        def write(part: Path) -> None:
            write_proven(part, each, facts, blocks, plain=plain)
            told(1.0)

        return write_new(path, write)


def finish(journal: Path | JournalWriter, also_in: Sequence[Path] = ()) -> Path:
    """Turn a journal into the Parquet file it is named after, then remove the journal.

    Given the writer, it seals it first and keeps its lock; given a path, the journal is an orphan
    and the recording is marked as recovered; without a single sample or event it is removed and
    `NothingRecordedError` raised; so it is where a recording of that name in one of the folders
    `also_in` holds all of it. Never overwrites a file: takes the next free name.

    The file gets its name when it has been read back and holds the same samples and facts. The
    journal goes when all that its writer accepted is in that file; else it stays and
    `SamplesMissingError` names the file and the numbers. Raises `StorageError` (disk full, folder
    read-only, another program has the journal, the file cannot be read back) and as `scan_journal`;
    the journal stays then and `recover` tries again.
    """
    if isinstance(journal, JournalWriter):
        try:
            journal.seal()
            return _finish_somewhere(journal)
        finally:
            journal.close()
    with JournalLock(Path(journal)) as lock:
        return _finish_locked(lock, None, lock.path.parent, also_in)


def samples_in(file: Path) -> int:
    """How many samples a finished recording or a journal holds, by the file itself. Raises
    `RecordingDamagedError`, `RecordingMissingError`."""
    if file.name.endswith(SUFFIX):
        return scan_journal(file).samples
    try:
        return int(pq.read_metadata(file).num_rows)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordingDamagedError(f"{file} cannot be read ({error}).") from error


class NothingRecordedError(LogbenchError):
    """The journal holds nothing; it has been removed."""


def _finish_somewhere(writer: JournalWriter) -> Path:
    """In the first of the writer's places that can, or else beside none of them; the journals of
    the other places go then, too."""
    places, trouble = writer.places.whole(), None
    for lock in places:
        try:
            path = _finish_again(lock, writer.samples, lock.path.parent)
            break
        except (StorageError, RecordingError) as error:
            log.warning("%s", error)
            trouble = trouble or error
    else:
        if trouble is None or isinstance(trouble, SamplesMissingError):
            raise trouble or StorageError(f"{writer.path} is not whole.")
        path = _finish_apart(places[0], writer.samples, trouble)
    writer.places.remove()
    return path


def _finish_apart(lock: Place, accepted: int, trouble: LogbenchError) -> Path:
    """In the user's own data folder, where the disk of the journal has no room for the file. Raises
    `trouble` where that cannot be either."""
    try:
        make_folder(rescue_folder())
        return _finish_again(lock, accepted, rescue_folder())
    except (OSError, StorageError) as error:
        log.warning("%s", error)
        raise trouble from error


def _finish_again(lock: Place, accepted: int, folder: Path) -> Path:
    """Some attempts where the disk's fault may pass."""
    for pause_s in _PAUSES_S:
        try:
            return _finish_locked(lock, accepted, folder)
        except StorageError as error:
            if not may_pass(error):
                raise
            log.warning("%s", error)
            time.sleep(pause_s)
    return _finish_locked(lock, accepted, folder)


def _finish_locked(
    lock: JournalLock | Place, accepted: int | None, folder: Path, also_in: Sequence[Path] = ()
) -> Path:
    """`accepted`: samples, by the journal's writer; None for an orphan. `folder`: of the file."""
    content = _Content(lock.path)
    index = content.index
    orphan = accepted is None
    if orphan and not (index.samples or index.facts.events or index.damaged):
        remove_journal(lock)
        raise NothingRecordedError(f"{lock.path} held no samples and was removed.")
    facts = index.facts.model_copy(
        update={"recovered": orphan, "events": [*index.facts.events, *index.gap_events()]}
    )
    wanted = folder / lock.path.name.removesuffix(SUFFIX)
    for other in also_in:
        if (
            not index.damaged
            and other != folder
            and (held := _holding(other / wanted.name, content))
        ):
            remove_journal(lock)
            raise NothingRecordedError(f"All of {lock.path} is in {held}; it was removed.")
    kept = f"nothing is lost, the samples stay in {lock.path.name}"
    temporary = unfinished(wanted, of=index.recording + os.fsencode(wanted.name))
    with storage_trouble(wanted, kept=kept):
        temporary.unlink(missing_ok=True)  # of a crash; nobody else writes it, we have the lock
        path = _earlier_attempt(wanted, content, facts) or write_new(
            wanted,
            lambda part: write_proven(
                part,
                content.by_signal(),
                facts,
                content.exchanges(),
                index.exchanges_accepted,
                f"; {kept}",
            ),
            temporary,
        )
    accepted = index.accepted if accepted is None else accepted
    if accepted != index.samples or index.damaged:
        raise SamplesMissingError(
            f"{index.samples:,} of {accepted:,} samples are in {path}: the others cannot be read "
            f"any more from {lock.path.name}, which stays where it is.",
            path,
        )
    remove_journal(lock)
    return path


def remove_journal(lock: JournalLock | Place) -> None:
    """What is in it is elsewhere: where it cannot go, it is found out to be so once more when it is
    recovered."""
    try:
        if not open_files_can_go():
            lock.close()
        lock.path.unlink(missing_ok=True)
        sync_folder(lock.path.parent)
    except OSError as error:
        log.warning("the journal %s stays: %s", lock.path, error)


class _Content:
    """What is in a journal, held in memory where it is not too much."""

    def __init__(self, journal: Path) -> None:
        self.index = JournalIndex(Facts())
        self._journal = journal
        self._samples: Samples | None = Samples()
        self._packed: list[bytes] | None = []
        self._packed_bytes = 0
        for part in scanned(journal, self.index, self._keep):
            if self._samples is not None:
                self._samples.take(part)
            if self.index.samples > _AT_ONCE:
                self._samples = None

    def _keep(self, packed: bytes) -> None:
        self._packed_bytes += len(packed)
        if self._packed_bytes > _PACKED_AT_ONCE:
            self._packed = None
        if self._packed is not None:
            self._packed.append(packed)

    def exchanges(self) -> Iterator[Block]:
        """The journal's exchanges, some at a time; it is gone through again where they are many."""
        for block in self._packed_again() if self._packed is None else self._packed:
            with contextlib.suppress(ValueError, TypeError, RecursionError):  # not by our writer
                yield unpack(memoryview(block))

    def _packed_again(self) -> Iterator[bytes]:
        waiting: deque[bytes] = deque()
        parts = scanned(self._journal, JournalIndex(Facts()), waiting.append)
        for _ in itertools.chain(parts, (None,)):
            while waiting:
                yield waiting.popleft()

    def by_signal(self) -> Iterator[list[Trace]]:
        """The journal's traces, those of one signal at a time, sorted by signal and ECU.

        The journal is gone through once for every `_AT_ONCE` samples, so that a long recording
        needs no more memory than a short one.
        """
        for group in self._groups():
            numbers = [number for signal in group for number in signal]
            samples = self._samples or read_traces(self._journal, self.index, numbers)
            for signal in group:
                yield [Trace(*self.index.keys[n], "", *samples.of(n)).in_order() for n in signal]
            del samples  # before the next are read

    def _groups(self) -> Iterator[list[list[int]]]:
        """Trace numbers of signals, as many at a time as may be held; at least one."""
        index = self.index
        held = sorted(np.flatnonzero(index.counts).tolist(), key=index.keys.__getitem__)
        group: list[list[int]] = []
        room = _AT_ONCE
        for _, numbers in itertools.groupby(held, lambda n: index.keys[n][0]):
            signal = list(numbers)
            count = int(index.counts[signal].sum())
            if group and count > room:
                yield group
                group, room = [], _AT_ONCE
            group.append(signal)
            room -= count
        if group:
            yield group

    def sha256(self) -> str:
        """Over all samples, as `Facts.samples_sha256`."""
        digest = hashlib.sha256()
        for traces in self.by_signal():
            for trace in traces:
                hash_samples(digest, trace)
        return digest.hexdigest()


def _earlier_attempt(wanted: Path, content: _Content, facts: Facts) -> Path | None:
    """The finished file of this very journal, if there is one: by its samples and events as they
    are in it, not by what it is called."""
    for path in numbered(wanted):
        if not path.exists():
            return None
        with contextlib.suppress(RecordingError):
            recording = open_recording(path)
            if recording.facts.recording_id != facts.recording_id:
                continue
            if _told(facts) <= _told(recording.facts) and recording.checksum() == (
                content.index.samples,
                content.sha256(),
            ):
                return path
    return None


def _told(facts: Facts) -> set[tuple[int, str, str]]:
    return {(event.t_ns, event.kind, event.text) for event in facts.events}


def _holding(wanted: Path, content: _Content) -> Path | None:
    """A finished recording of the same drive that holds all samples and events of a journal."""
    index = content.index
    for path in itertools.takewhile(Path.exists, numbered(wanted)):
        with contextlib.suppress(RecordingError):
            recording = open_recording(path)
            if recording.facts.recording_id != index.facts.recording_id:
                continue
            traces = itertools.chain.from_iterable(content.by_signal())
            if _told(index.facts) <= _told(recording.facts) and all(
                _is_in(trace, recording) for trace in traces
            ):
                return path
    return None


def _is_in(trace: Trace, recording: Recording) -> bool:
    if (trace.signal, trace.ecu) not in recording.keys:
        return False
    other = recording.trace(trace.signal, trace.ecu)
    return bool(np.isin(_samples(trace), _samples(other)).all())


def _samples(trace: Trace) -> npt.NDArray[np.void]:
    """Time and value of each as one, to the bit."""
    pairs = np.empty((len(trace), 2), np.int64)
    pairs[:, 0] = trace.t_ns
    pairs[:, 1] = np.ascontiguousarray(trace.value, np.float64).view(np.int64)
    return pairs.view("V16").ravel()
