"""Files and folders to recordings: what kind a file is, how it is read, where it goes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as Maps
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.errors import ImportFileError, LogbenchError
from logbench.importing.build import build
from logbench.importing.can_log import SUFFIXES as CAN_SUFFIXES
from logbench.importing.can_log import import_can_log
from logbench.importing.csv_file import load_csv
from logbench.importing.detect import detect_mapping
from logbench.importing.memory import recall
from logbench.importing.model import Imported, Mapping, Report
from logbench.importing.sheet import Sheet
from logbench.importing.tables import read_table, sheet_of_frame
from logbench.recording.finish import write_recording
from logbench.recording.journal import FACTS_KEY
from logbench.recording.model import Facts, Vehicle

TEXT_SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".tab"})
SUFFIXES = TEXT_SUFFIXES | CAN_SUFFIXES | {".parquet"}

Progress = Callable[[int, int, Path], None]
"""Told (files done, files in all, the file that comes next)."""


@dataclass(frozen=True, slots=True)
class Preview:
    """What a file would become: the mapping, and the first rows as the file has them."""

    mapping: Mapping | None
    """None for CAN logs, which need none."""
    names: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    remembered: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one file: the recordings made, or the sentence that says why not."""

    source: Path
    made: tuple[Path, ...] = ()
    report: Report | None = None
    problem: str = ""


def files_in(paths: Sequence[Path]) -> list[Path]:
    """Files of importable kinds, folders searched in depth, sorted; recordings are left out.

    A file named by itself is always taken. Raises `ImportFileError` for a name that is not there.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in SUFFIXES)
            found += [p for p in inside if p.is_file() and not _is_recording(p)]
        elif path.exists():
            found.append(path)
        else:
            raise ImportFileError(f"There is no file {path}: check the name and the folder.")
    return list(dict.fromkeys(found))


def _is_recording(path: Path) -> bool:
    if path.suffix.lower() != ".parquet":
        return False
    try:
        return FACTS_KEY in (pq.read_metadata(path).metadata or {})
    except (pa.ArrowException, OSError, ValueError):
        return False


def is_foreign(path: Path) -> bool:
    """Whether a file is of a kind that can be imported, and no recording, whole or damaged."""
    if path.suffix.lower() not in SUFFIXES or not path.is_file():
        return False
    if path.suffix.lower() != ".parquet":
        return True
    try:
        return FACTS_KEY not in (pq.read_metadata(path).metadata or {})
    except (pa.ArrowException, OSError, ValueError):
        return False


def _sheet(
    path: Path, mapping: Mapping | None, delimiter: str | None = None
) -> tuple[Sheet, Mapping]:
    if path.suffix.lower() == ".parquet":
        if _is_recording(path):
            raise ImportFileError(f"{path} is a recording already: open it, or add it as it is.")
        sheet = sheet_of_frame(read_table(path))
        return sheet, mapping or detect_mapping(sheet)
    return load_csv(path, mapping, delimiter)


def _is_can_log(path: Path) -> bool:
    return path.suffix.lower() in CAN_SUFFIXES


def preview(
    path: Path, memory: Path | None = None, rows: int = 12, delimiter: str | None = None
) -> Preview:
    """How a file would be read, with its first rows; a remembered mapping comes before a guess.

    `memory`: folder of remembered mappings; None for the user's. `delimiter`: the user's word
    instead of a guess or memory. Raises `ImportFileError`.
    """
    if _is_can_log(path):
        return Preview(None)
    sheet, mapping = _sheet(path, None, delimiter)
    kept = recall(sheet.fingerprint, memory) if delimiter is None else None
    samples = [column.sample(most=max(1, sheet.rows))[:rows] for column in sheet.columns]
    return Preview(
        mapping=kept or mapping,
        names=tuple(sheet.names),
        rows=tuple(zip(*samples, strict=True)),
        remembered=kept is not None,
    )


def read_file(path: Path, mapping: Mapping | None = None, memory: Path | None = None) -> Imported:
    """All drives of one file: by `mapping`, else by a remembered one, else as detected.

    Raises `ImportFileError`.
    """
    if _is_can_log(path):
        return import_can_log(path)
    sheet, used = _sheet(path, mapping)
    if mapping is None:
        kept = recall(sheet.fingerprint, memory)
        if kept is not None:
            sheet, used = _sheet(path, kept)
    return build(sheet, used, path.name)


def import_file(
    path: Path,
    folder: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    vehicle: Vehicle | None = None,
) -> Outcome:
    """Write every drive of a file as a recording into `folder`; nothing is ever overwritten.

    `vehicle`: what the user knows of the car; it goes before what the file says. Raises
    `ImportFileError`, `StorageError`.
    """
    imported = read_file(path, mapping, memory)
    made = []
    stem = re.sub(r"[^\w.-]+", "-", path.stem).strip("-.") or "import"
    for number, drive in enumerate(imported.drives, start=1):
        name = stem if len(imported.drives) == 1 else f"{stem}-{number:02d}"
        facts = _with_vehicle(drive.facts, vehicle)
        made.append(write_recording(folder / f"{name}.parquet", drive.traces, facts))
    return Outcome(path, tuple(made), imported.report)


def _with_vehicle(facts: Facts, vehicle: Vehicle | None) -> Facts:
    if vehicle is None:
        return facts
    told = facts.vehicle.model_copy(update=vehicle.model_dump(exclude_defaults=True))
    return facts.model_copy(update={"vehicle": told})


def import_many(
    paths: Sequence[Path],
    folder: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    progress: Progress | None = None,
) -> Iterator[Outcome]:
    """Import files and folders one by one; a bad one becomes an outcome with its problem.

    Raises `ImportFileError` only for a name that is not there, before anything is done.
    """
    files = files_in(paths)
    mappings = {} if mapping is None else dict.fromkeys(files, mapping)
    yield from import_files(files, folder, mappings, memory=memory, progress=progress)


def import_files(
    files: Sequence[Path],
    folder: Path,
    mappings: Maps[Path, Mapping],
    vehicle: Vehicle | None = None,
    memory: Path | None = None,
    progress: Progress | None = None,
) -> Iterator[Outcome]:
    """Import files one by one; a bad one becomes an outcome with its problem.

    `mappings`: of single files; the others go by a remembered mapping or as detected.
    """
    for done, path in enumerate(files):
        if progress is not None:
            progress(done, len(files), path)
        try:
            yield import_file(path, folder, mappings.get(path), memory, vehicle)
        except LogbenchError as error:
            yield Outcome(path, problem=str(error))
