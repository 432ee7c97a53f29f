"""Files and folders to recordings: what kind a file is, how it is read, where it goes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
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
from logbench.system.progress import Told, counted, untold, within

_PREVIEW_ROWS = 12
_CUT, _READ = 0.7, 0.9
"""Of reading a text, what is done when it is cut into cells; of importing it, when it is read
(measured)."""


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


def preview(
    path: Path, memory: Path | None = None, delimiter: str | None = None, told: Told = untold
) -> Preview:
    """How a file would be read, with its first rows; a remembered mapping comes before a guess.

    `memory`: folder of remembered mappings; None for the user's. `delimiter`: the user's word
    instead of a guess or memory. Raises `ImportFileError`.
    """
    load = format_of(path).sheet
    if load is None:
        return Preview(None)
    sheet, mapping = load(path, None, delimiter, told)
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
    told: Told = untold,
) -> Imported:
    """All drives of one file: by `mapping`, else by a remembered one, else as detected. Raises
    `ImportFileError`."""
    kind = format_of(path)
    if kind.drives is not None:
        return without_nonsense(kind.drives(path, told), path.name)
    assert kind.sheet is not None
    sheet, used = kind.sheet(path, mapping, None, within(told, 0.0, _CUT))
    if mapping is None:
        kept = recall(sheet.fingerprint, memory)
        if kept is not None:
            sheet, used = kind.sheet(path, kept, None, within(told, _CUT, _CUT))
    return without_nonsense(build(sheet, used, path.name, within(told, _CUT, 1.0)), path.name)


def foresee_file(
    path: Path,
    mapping: Mapping | None = None,
    memory: Path | None = None,
    stated: Stated | None = None,
    told: Told = untold,
) -> Outcome:
    """What `import_file` would make of a file; nothing is written. Raises `ImportFileError`."""
    imported = read_file(path, mapping, memory, told)
    told(1.0)
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
    told: Told = untold,
) -> Outcome:
    """Write every drive of a file that is wanted as a recording into `folder`, or none where one
    cannot be or it is stopped; nothing is ever overwritten, and what is there already is not
    written again.

    `let` is asked with what the file says, and what it raises comes through. `known`: what is in
    the folder; None: it is looked at. Raises `ImportFileError`, `StorageError`.
    """
    imported = read_file(path, mapping, memory, within(told, 0.0, _READ))
    for drive in imported.drives:
        let(drive.facts)
    chosen = (stated or Stated()).of(imported)
    known = known or Known(folder)
    digest = file_sha256(path)
    before = known.of_file(digest)
    made: list[Path] = []
    here = []
    stem = re.sub(r"[^\w.-]+", "-", path.stem).strip("-.") or "import"
    stem = f"{stem}_" if is_device(stem) else stem
    each = counted(chosen, len(chosen), within(told, _READ, 1.0), every=1)
    with _all_or_none(made):
        for number, drive in each:
            twin = known.of_samples(drive.traces)
            if twin is not None:
                here.append(twin)
                continue
            name = stem if len(imported.drives) == 1 else f"{stem}-{number:02d}"
            drive.facts.extra.setdefault("import", {})["file_sha256"] = digest
            made.append(write_recording(folder / f"{name}.parquet", drive.traces, drive.facts))
            known.take(made[-1], open_recording(made[-1]).facts)
        told(1.0)
    if made and before is not None:
        imported.report.remark(
            fill("The same file was imported before, read in another way: {name}.", name=before)
        )
    outcomes = tuple(outcome_of(drive) for _, drive in chosen)
    return Outcome(path, tuple(made), tuple(here), outcomes, imported.report)


@contextmanager
def _all_or_none(made: Sequence[Path]) -> Iterator[None]:
    """What was made of a file goes again where not all of it can be."""
    try:
        yield
    except BaseException:
        for path in made:
            with suppress(OSError):
                path.unlink()
        raise
