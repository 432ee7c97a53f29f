"""A journal read whole, as no program needs it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logbench.recording.journal_reading import DTYPES, END_OF_STREAM, JournalIndex, scanned
from logbench.recording.model import Facts


@dataclass(slots=True)
class Journal(JournalIndex):
    """With all samples, in the order in which they came."""

    trace: np.ndarray = None
    t_ns: np.ndarray = None
    value: np.ndarray = None
    sealed: bool = False
    """Its writer ended it on purpose."""


def read_journal(path: Path) -> Journal:
    """Everything up to the last whole batch. Raises as `scan_journal`."""
    content = Journal(Facts())
    parts = [*scanned(path, content), tuple(np.empty(0, dtype) for dtype in DTYPES)]
    content.trace, content.t_ns, content.value = map(np.concatenate, zip(*parts, strict=True))
    content.sealed = path.read_bytes()[content.whole_bytes :].startswith(END_OF_STREAM)
    return content
