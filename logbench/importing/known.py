"""What a folder holds already, so that importing the same again adds nothing."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import LogbenchError
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording, facts_of, open_recording
from logbench.system.reading import check_plain

log = logging.getLogger(__name__)


class Known:
    """The recordings of a folder by their samples, and by the file that they were imported from."""

    def __init__(self, folder: Path) -> None:
        """Reads every footer there; a file that cannot be read is known for nothing."""
        self._by_samples: dict[str, Path] = {}
        self._by_file: dict[str, Path] = {}
        for path in sorted(folder.glob("*.parquet")):
            try:
                check_plain(path)
                self.take(path, facts_of(path, pq.read_metadata(path)))
            except (LogbenchError, pa.ArrowException, OSError, ValueError) as error:
                log.info("%s is passed over: %s", path, error)

    def take(self, path: Path, facts: Facts) -> None:
        """One more."""
        origin = facts.extra.get("import")
        if isinstance(origin, dict) and isinstance(file := origin.get("file_sha256"), str):
            self._by_file.setdefault(file, path)
        if facts.samples_sha256:
            self._by_samples.setdefault(facts.samples_sha256, path)

    def of_samples(self, traces: Sequence[Trace]) -> Path | None:
        """The recording that holds just these samples, and is sound."""
        held = [trace.in_order() for trace in traces if len(trace)]
        path = self._by_samples.get(Recording.of(held).checksum()[1])
        try:
            return path if path is not None and open_recording(path).intact() else None
        except LogbenchError as error:
            log.info("%s is made anew: %s", path, error)
            return None

    def of_file(self, sha256: str) -> Path | None:
        """A recording that was imported from a file of that content."""
        return self._by_file.get(sha256)
