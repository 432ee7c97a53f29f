"""Notes on spans of a recording: read, changed, and handed on with its samples."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import numpy.typing as npt

from logbench.cases.work import Cancelling, Case, Outcome, Work
from logbench.recording.storage import storage_trouble
from logbench.signals.units import METRIC, Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.notes import Note
    from logbench.recording.reader import Recording

Change = Callable[[Sequence["Note"]], Sequence["Note"]]
_one_at_a_time = Lock()


@dataclass(frozen=True)
class ReadNotes(Case[tuple["Note", ...]]):
    """The notes beside a recording. Raises `NotesError`, `StorageError`."""

    recording: Path
    samples_sha256: str

    def run(self, work: Work) -> tuple[Note, ...]:
        """In order of time."""
        from logbench.recording.notes import read_notes

        return read_notes(self.recording, self.samples_sha256)


@dataclass(frozen=True)
class ChangeNotes(Case[tuple["Note", ...]]):
    """Change the notes beside a recording, one change at a time; the notes there are now. Raises
    `NotesError`, `StorageError`."""

    recording: Path
    samples_sha256: str
    change: Change
    deed: ClassVar[bool] = True
    cancelling: ClassVar[Cancelling] = "finish"

    def run(self, work: Work) -> tuple[Note, ...]:
        """Read, change, write."""
        from logbench.recording.notes import change_notes

        with _one_at_a_time:
            return change_notes(self.recording, self.samples_sha256, self.change)


@dataclass(frozen=True)
class ExportSpan(Case[Path]):
    """The samples of some signals between two times as CSV: one row a time stamp, one column a
    trace, empty where a trace has no sample then. Notes stand in the first row that they cover,
    with the times of their ends. Raises `StorageError`."""

    path: Path
    recording: Recording
    signals: Sequence[str]
    start_ns: float
    end_ns: float
    """The end is included."""
    units: Units = METRIC
    notes: Sequence[Note] = ()
    """Those that overlap the span are written into a column of their own."""
    deed: ClassVar[bool] = True
    cancelling: ClassVar[Cancelling] = "finish"

    def run(self, work: Work) -> Path:
        """The file written."""
        frame = self.recording.wide(self.signals)
        frame = frame.loc[self.start_ns / 1e9 : self.end_ns / 1e9].dropna(how="all")
        recorded = {trace.signal: trace.unit for trace in self.recording.traces(self.signals)}
        columns = {}
        for name in frame.columns:
            unit = recorded.get(str(name).split("@")[0], "")
            columns[name] = f"{name} ({self.units.unit(unit)})" if unit else str(name)
            frame[name] = self.units.array(frame[name].to_numpy(np.float64), unit)
        frame = frame.rename(columns=columns)
        texts = self._texts(frame.index.to_numpy(np.float64))
        if any(texts):
            frame["note"] = texts
        with storage_trouble(self.path):
            frame.to_csv(self.path, float_format="%.10g")
        return self.path

    def outcome(self, answer: Path) -> Outcome:
        """Where it is."""
        return Outcome(tr("Written to {path}", path=answer))

    def _texts(self, t_s: npt.NDArray[np.float64]) -> list[str]:
        """A text for each row: the notes that begin to hold there. Spreadsheets take a text that
        begins like a formula for one, so it is set in quotation marks."""
        texts = [""] * len(t_s)
        for note in self.notes:
            place = int(np.searchsorted(t_s, note.start_ns / 1e9))
            overlaps = note.end_ns >= self.start_ns and note.start_ns <= self.end_ns
            if overlaps and place < len(t_s):
                text = " ".join(note.text.split())
                text = f'"{text}"' if text[0] in "=+-@" else text
                ends = f"{note.start_ns / 1e9:.1f} to {note.end_ns / 1e9:.1f} s"
                texts[place] = "; ".join(filter(None, (texts[place], f"{text} ({ends})")))
        return texts
