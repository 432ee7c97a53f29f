"""Opening a recording of an archive, near or far: a trace fetches only its own row group."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pyarrow.parquet as pq

from logbench.archive.footers import Footer, read_footer
from logbench.archive.store import Entry, LocalStore, Store
from logbench.errors import ArchiveError, RecordingDamagedError
from logbench.recording.reader import ParquetSource, Recording, facts_of, open_recording


def open_entry(store: Store, entry: Entry) -> Recording:
    """A recording of the archive. Its footer is checked first, then `open_recording`'s errors.

    Raises `ArchiveError` for a file that is left out, saying why.
    """
    footer = read_footer(store, entry)
    if not isinstance(footer, Footer):
        raise ArchiveError(footer.sentence)
    if isinstance(store, LocalStore):
        return open_recording(store.path_of(entry.path))
    with store.open(entry.path) as file:
        metadata = pq.read_metadata(file)

    @contextmanager
    def opened() -> Iterator[pq.ParquetFile]:
        with (
            store.open(entry.path) as source,
            pq.ParquetFile(source, metadata=metadata, pre_buffer=True) as file,
        ):
            yield file

    def unreadable(_: Exception) -> RecordingDamagedError:
        return RecordingDamagedError(
            f"{entry.path} cannot be read: the network is gone or the file is damaged."
        )

    facts = facts_of(entry.path, metadata)
    return ParquetSource(metadata, facts, opened, unreadable).recording()
