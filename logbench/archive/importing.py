"""Other programs' logs straight into an archive."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Iterator, Sequence
from collections.abc import Mapping as Maps
from pathlib import Path

from logbench.archive.archive import Archive
from logbench.car.model import Car
from logbench.errors import LogbenchError
from logbench.importing.model import Mapping
from logbench.importing.run import Outcome, Progress, import_files


def import_to_archive(
    archive: Archive,
    files: Sequence[Path],
    mappings: Maps[Path, Mapping] | None = None,
    vehicle: Car | None = None,
    memory: Path | None = None,
    progress: Progress | None = None,
) -> Iterator[Outcome]:
    """Import files one by one; each outcome's `made` are the new recordings' paths in the archive.

    `mappings`: of single files; the others go by a remembered mapping or as detected. `vehicle`:
    what is known of the car. A bad file becomes an outcome with its problem.
    """
    with tempfile.TemporaryDirectory(prefix="logbench-import-") as scratch:
        for outcome in import_files(
            files, Path(scratch), mappings or {}, vehicle, memory, progress
        ):
            try:
                yield _added(archive, outcome)
            except LogbenchError as error:
                yield Outcome(outcome.source, problem=str(error))
            finally:
                for file in Path(scratch).iterdir():
                    file.unlink()


def _added(archive: Archive, outcome: Outcome) -> Outcome:
    """The outcome of an import with the recordings' paths in the archive, where they are new."""
    made = []
    for file in outcome.made:
        where, new = archive.add(file)
        if new:
            made.append(Path(where))
        elif outcome.report is not None:
            outcome.report.remark(f"The same samples are there already: {where}.")
    return dataclasses.replace(outcome, made=tuple(made))
