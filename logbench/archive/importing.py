"""Other programs' logs straight into an archive."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as Maps
from pathlib import Path

from logbench.archive.archive import Archive
from logbench.errors import LogbenchError
from logbench.importing.model import Mapping
from logbench.importing.run import Outcome, import_file
from logbench.recording.model import Vehicle

Progress = Callable[[int, int, Path], None]
"""Told (files done, files in all, the file that comes next)."""


def import_to_archive(
    archive: Archive,
    files: Sequence[Path],
    mappings: Maps[Path, Mapping] | None = None,
    vehicle: Vehicle | None = None,
    memory: Path | None = None,
    progress: Progress | None = None,
) -> Iterator[Outcome]:
    """Import files one by one; each outcome's `made` are the new recordings' paths in the archive.

    `mappings`: of single files; the others go by a remembered mapping or as detected. `vehicle`:
    what is known of the car. A bad file becomes an outcome with its problem.
    """
    with tempfile.TemporaryDirectory(prefix="logbench-import-") as scratch:
        for done, path in enumerate(files):
            if progress is not None:
                progress(done, len(files), path)
            mapping = (mappings or {}).get(path)
            try:
                outcome = import_file(path, Path(scratch), mapping, memory, vehicle)
                made = []
                for file in outcome.made:
                    where, new = archive.add(file)
                    if new:
                        made.append(Path(where))
                    elif outcome.report is not None:
                        outcome.report.remark(f"The same samples are there already: {where}.")
            except LogbenchError as error:
                yield Outcome(path, problem=str(error))
                continue
            finally:
                for file in Path(scratch).iterdir():
                    file.unlink()
            yield Outcome(path, tuple(made), outcome.report)
