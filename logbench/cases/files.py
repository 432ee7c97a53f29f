"""Recordings as files: whether they are what was recorded, and parts of them for others."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar

from logbench.cases.work import Cancelling, Case, Work
from logbench.errors import UsageError
from logbench.recording.export import CsvStyle, Layout, Selection, export_csv, export_parquet
from logbench.recording.reader import open_recording
from logbench.words import tr


@dataclass(frozen=True)
class VerifyFiles(Case[dict[Path, bool | None]]):
    """Whether the samples of recordings still have their checksum; None: there is none. Raises the
    reader's errors."""

    paths: tuple[Path, ...]

    def run(self, work: Work) -> dict[Path, bool | None]:
        """Read each one wholly."""
        found = {}
        for number, path in enumerate(self.paths):
            work.report(tr("Verifying {name}", name=path.name), number / len(self.paths))
            found[path] = open_recording(path).intact()
        return found


@dataclass(frozen=True)
class ExportRecording(Case[Path]):
    """Write a recording, or a part of it, as CSV or Parquet, as `out` ends; nothing is overwritten.

    Raises `UsageError` for another ending, `SignalUnsupportedError`, `StorageError`, the reader's
    errors.
    """

    path: Path
    out: Path
    selection: Selection
    layout: Layout = "wide"
    style: CsvStyle = field(default_factory=CsvStyle)
    deed: ClassVar[bool] = True
    cancelling: ClassVar[Cancelling] = "finish"

    def run(self, work: Work) -> Path:
        """The file written."""
        kind = self.out.suffix.lower()
        if kind not in {".csv", ".parquet"}:
            raise UsageError(tr("'{file}' must end in .csv or .parquet.", file=self.out))
        work.report(tr("Exporting {name}", name=self.path.name), 0.0)
        recording = open_recording(self.path)
        if kind == ".csv":
            return export_csv(recording, self.out, self.selection, self.layout, self.style)
        return export_parquet(recording, self.out, self.selection)
