"""Opening a recording of an archive, near or far: a trace fetches only its own row group."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from logbench.archive.footers import Footer, read_footer
from logbench.archive.store import Entry, LocalStore, Store
from logbench.errors import ArchiveError, RecordingDamagedError
from logbench.recording.columns import numbers_of
from logbench.recording.journal_reading import FACTS_KEY
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording, open_recording


def open_entry(store: Store, entry: Entry) -> Recording:
    """A recording of the archive. Its footer is checked first, then `open_recording`'s errors.

    Raises `ArchiveError` for a file that is left out, saying why.
    """
    footer = read_footer(store, entry)
    if not isinstance(footer, Footer):
        raise ArchiveError(footer.sentence)
    if isinstance(store, LocalStore):
        return open_recording(store.path_of(entry.path))
    return _Remote(store, entry, footer).recording()


class _Remote:
    """Reads row groups of one object when they are asked for."""

    def __init__(self, store: Store, entry: Entry, footer: Footer) -> None:
        self._store = store
        self._path = entry.path
        self._footer = footer
        with store.open(entry.path) as file:
            self._metadata = pq.read_metadata(file)
        self._facts = Facts.model_validate_json(self._metadata.metadata[FACTS_KEY])
        self._groups: dict[str, list[int]] = {}
        for row in footer.signals:
            self._groups.setdefault(row["signal"], []).append(row["row_group"])

    def recording(self) -> Recording:
        ecus: dict[str, tuple[str, ...]] = {}
        for row in self._footer.signals:
            found = (row["ecu"],) if row["ecu"] != "several" else tuple(self._load(row["signal"]))
            ecus[row["signal"]] = tuple(sorted({*ecus.get(row["signal"], ()), *found}))
        duration_ns = round(self._footer.recording["duration_s"] * 1e9)
        return Recording(self._facts, ecus, self._load, duration_ns=duration_ns)

    def _load(self, signal: str) -> dict[str, Trace]:
        try:
            with (
                self._store.open(self._path) as source,
                pq.ParquetFile(source, metadata=self._metadata, pre_buffer=True) as file,
            ):
                parts = [
                    file.read_row_group(group, columns=["ecu", "t", "value"], use_threads=False)
                    for group in self._groups[signal]
                ]
            return self._split(signal, pa.concat_tables(parts))
        except (pa.ArrowException, OSError, ValueError, TypeError, MemoryError) as error:
            raise RecordingDamagedError(
                f"{self._path} cannot be read: the network is gone or the file is damaged."
            ) from error

    def _split(self, signal: str, table: pa.Table) -> dict[str, Trace]:
        known = self._facts.signals.get(signal)
        unit = known.unit if known else ""
        ecus = pc.cast(table["ecu"], pa.string())
        out = {}
        for ecu in sorted(set(ecus.to_pylist())):
            part = table.filter(pc.equal(ecus, ecu))
            t_ns = numbers_of(part["t"].combine_chunks(), "int64")
            value = pc.fill_null(part["value"], float("nan")).combine_chunks()
            out[ecu] = Trace(signal, ecu, unit, t_ns, numbers_of(value, "float64"))
        return out
