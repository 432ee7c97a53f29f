"""A journal read whole, as no program needs it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logbench.recording.frames import ROW
from logbench.recording.journal_reading import JournalIndex, scanned
from logbench.recording.model import Facts
from logbench.recording.recovery import recover


@dataclass(slots=True)
class Journal(JournalIndex):
    """With all samples, in the order in which they lie there."""

    trace: np.ndarray = None
    t_ns: np.ndarray = None
    value: np.ndarray = None


def read_journal(path: Path) -> Journal:
    """Everything that is sound. Raises as `scan_journal`."""
    content = Journal(Facts())
    parts = [*scanned(path, content), (np.empty(0, np.intp), np.empty(0, ROW))]
    content.trace, rows = map(np.concatenate, zip(*parts, strict=True))
    content.t_ns, content.value = rows["t"], rows["value"]
    return content


def recovered(folder: Path) -> list[Path]:
    """The recordings made of what a crash left in a folder."""
    return [found.path for found in recover(folder) if found.kind == "recovered"]
