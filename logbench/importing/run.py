"""Files and folders to recordings: what kind a file is, how it is read, where it goes."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from logbench.errors import AnotherCarError, ImportFileError
from logbench.foreign import fill
from logbench.importing.build import build
from logbench.importing.formats import format_of, known_format
from logbench.importing.known import Known
from logbench.importing.model import Imported, Mapping, Report, Stated, recall
from logbench.importing.outcome import DriveOutcome, outcome_of, without_nonsense
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts
from logbench.recording.reader import open_recording
from logbench.recording.storage import file_sha256
from logbench.system.folders import FolderTooLargeError, files_below
from logbench.system.platforms import is_device

_PREVIEW_ROWS = 12


@dataclass(frozen=True, slots=True)
class Preview:
    """What a file would become: the mapping, and the first rows as the file has them."""

    mapping: Mapping | None
    """None for formats that need none."""
    names: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    remembered: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one file: the recordings made, or the sentence that says why not."""

    source: Path
    made: tuple[Path, ...] = ()
    here: tuple[Path, ...] = ()
    """Recordings of the same samples that were there already."""
    drives: tuple[DriveOutcome, ...] = ()
    report: Report | None = None
    problem: str = ""
    another_car: AnotherCarError | None = None
    """It is of another car than was stated; nothing was made of it."""

    @property
    def document(self) -> dict[str, Any]:
        """For JSON."""
        report = self.report
        return {
            "file": str(self.source),
            "made": [str(path) for path in self.made],
            "here": [str(path) for path in self.here],
            "drives": [asdict(drive) for drive in self.drives],
            "left_out": 0 if report is None else report.left_out,
            "remarks": [] if report is None else report.remarks,
            "problem": self.problem,
        }


def files_in(paths: Sequence[Path]) -> list[Path]:
    """Files of importable kinds, folders searched in depth, sorted; recordings are left out.

    A file named by itself is always taken. Raises `ImportFileError` for a name that is not there,
    and for a folder that holds more than is looked at.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            try:
                inside = [(p, kind) for p in files_below(path) if (kind := known_format(p))]
            except FolderTooLargeError as error:
                raise ImportFileError(str(error)) from error
            found += [p for p, kind in inside if not kind.recording(p)]
        elif path.exists():
            found.append(path)
        else:
            raise ImportFileError(f"There is no file {path}: check the name and the folder.")
    return list(dict.fromkeys(found))


def is_foreign(path: Path) -> bool:
    """Whether a file is of a kind that can be imported, and no recording, whole or damaged."""
    kind = known_format(path)
    return kind is not None and path.is_file() and kind.recording(path) is False


def preview(path: Path, memory: Path | None = None, delimiter: str | None = None) -> Preview:
    """How a file would be read, with its first rows; a remembered mapping comes before a guess.

    `memory`: folder of remembered mappings; None for the user's. `delimiter`: the user's word
    instead of a guess or memory. Raises `ImportFileError`.
    """
    load = format_of(path).sheet
    if load is None:
        return Preview(None)
    sheet, mapping = load(path, None, delimiter)
    kept = recall(sheet.fingerprint, memory) if delimiter is None else None
    samples = [column.sample(most=max(1, sheet.rows))[:_PREVIEW_ROWS] for column in sheet.columns]
    return Preview(
        mapping=kept or mapping,
        names=tuple(sheet.names),
        rows=tuple(zip(*samples, strict=True)),
        remembered=kept is not None,
    )


def read_file(
    path: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    between: Callable[[], object] = lambda: None,
) -> Imported:
    """All drives of one file: by `mapping`, else by a remembered one, else as detected.

    `between` is called between the steps; what it raises ends them. Raises `ImportFileError`.
    """
    kind = format_of(path)
    if kind.drives is not None:
        return without_nonsense(kind.drives(path), path.name)
    assert kind.sheet is not None
    sheet, used = kind.sheet(path, mapping, None)
    if mapping is None:
        kept = recall(sheet.fingerprint, memory)
        if kept is not None:
            sheet, used = kind.sheet(path, kept, None)
    between()
    return without_nonsense(build(sheet, used, path.name), path.name)


def foresee_file(
    path: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    stated: Stated | None = None,
    between: Callable[[], object] = lambda: None,
) -> Outcome:
    """What `import_file` would make of a file; nothing is written. Raises `ImportFileError`, and
    what `between` raises."""
    imported = read_file(path, mapping, memory, between)
    between()
    chosen = [drive for _, drive in (stated or Stated()).of(imported)]
    return Outcome(path, drives=tuple(map(outcome_of, chosen)), report=imported.report)


def import_file(
    path: Path,
    folder: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    stated: Stated | None = None,
    let: Callable[[Facts], object] = lambda _: None,
    known: Known | None = None,
) -> Outcome:
    """Write every drive of a file that is wanted as a recording into `folder`; nothing is ever
    overwritten, and what is there already is not written again.

    `let` is asked with what the file says, and what it raises comes through. `known`: what is in
    the folder; None: it is looked at. Raises `ImportFileError`, `StorageError`.
    """
    imported = read_file(path, mapping, memory)
    for drive in imported.drives:
        let(drive.facts)
    chosen = (stated or Stated()).of(imported)
    known = known or Known(folder)
    digest = file_sha256(path)
    before = known.of_file(digest)
    made, here = [], []
    stem = re.sub(r"[^\w.-]+", "-", path.stem).strip("-.") or "import"
    stem = f"{stem}_" if is_device(stem) else stem
    for number, drive in chosen:
        twin = known.of_samples(drive.traces)
        if twin is not None:
            here.append(twin)
            continue
        name = stem if len(imported.drives) == 1 else f"{stem}-{number:02d}"
        drive.facts.extra.setdefault("import", {})["file_sha256"] = digest
        made.append(write_recording(folder / f"{name}.parquet", drive.traces, drive.facts))
        known.take(made[-1], open_recording(made[-1]).facts)
    if made and before is not None:
        imported.report.remark(
            fill("The same file was imported before, read in another way: {name}.", name=before)
        )
    outcomes = tuple(outcome_of(drive) for _, drive in chosen)
    return Outcome(path, tuple(made), tuple(here), outcomes, imported.report)
