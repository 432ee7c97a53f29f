"""Cases of importing: other programs' files looked into, then made recordings."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from collections.abc import Mapping as Maps
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.cases.archive import Account, Accounted, Line
from logbench.cases.cars import CarsFile, let_through
from logbench.cases.work import CancelledError, Work, only_looks
from logbench.errors import AnotherCarError, ImportFileError, LogbenchError
from logbench.system.private import make_folder
from logbench.words import tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.importing.model import Mapping, Stated
    from logbench.importing.run import Outcome, Preview
    from logbench.recording.model import Facts


@dataclass
class Kind:
    """Files that look the same, with the mapping that one of them suggests."""

    files: list[Path]
    preview: Preview
    memory: Path | None


@dataclass
class Survey:
    """What is to be imported: kinds to confirm, files that need no mapping, bad ones."""

    kinds: list[Kind]
    plain: list[Path]
    lines: list[Line]


@only_looks
def sort_files(_: Work, paths: tuple[Path, ...]) -> tuple[list[Path], list[Path]]:
    """Files to be taken as they are, and those of other programs, to be imported."""
    from logbench.importing.run import is_foreign

    foreign = [path for path in paths if is_foreign(path)]
    return [path for path in paths if path not in foreign], foreign


@only_looks
def survey_files(work: Work, paths: tuple[Path, ...], memory: Path | None = None) -> Survey:
    """Look into every file once; those that look the same are one kind. `memory`: where mappings
    are kept; None: the user's. Raises `ImportFileError` when there is no file."""
    from logbench.importing.run import files_in, preview

    files = files_in(paths)
    if not files:
        raise ImportFileError(
            tr("No file that can be imported is there: name CSV, XLSX, Parquet or logs.")
        )
    kinds: dict[str, Kind] = {}
    plain: list[Path] = []
    lines = []
    for number, file in enumerate(files):
        told = work.telling_of(tr("Looking into {name}", name=file.name), number, len(files))
        told(0.0)
        try:
            seen = preview(file, memory, told=told)
        except LogbenchError as error:
            lines.append(Line(file.name, str(error), bad=True))
            continue
        if seen.mapping is None:
            plain.append(file)
        elif seen.mapping.fingerprint in kinds:
            kinds[seen.mapping.fingerprint].files.append(file)
        else:
            kinds[seen.mapping.fingerprint] = Kind([file], seen, memory)
    return Survey(list(kinds.values()), plain, lines)


@only_looks
def cut_again(work: Work, kind: Kind, delimiter: str) -> Kind:
    """The same files cut into columns by another delimiter. Raises `ImportFileError`."""
    from logbench.importing.run import preview

    told = work.telling_of(tr("Reading"), 0, 1)
    told(0.0)
    return Kind(kind.files, preview(kind.files[0], kind.memory, delimiter, told), kind.memory)


@only_looks
def foresee(
    work: Work,
    paths: tuple[Path, ...],
    mappings: Maps[Path, Mapping] | None = None,
    stated: Stated | None = None,
    memory: Path | None = None,
) -> list[Outcome]:
    """What importing the files would make; nothing is written. A bad file has its problem."""
    from logbench.importing.run import Outcome, foresee_file

    found = []
    for done, path in enumerate(paths):
        told = work.telling_of(tr("Looking into {name}", name=path.name), done, len(paths))
        told(0.0)
        try:
            found.append(foresee_file(path, (mappings or {}).get(path), memory, stated, told))
        except LogbenchError as error:
            found.append(Outcome(path, problem=str(error)))
    return found


@dataclass(frozen=True)
class ImportFiles(Accounted):
    """Import files into an archive or a folder. Raises `StorageError` where the folder cannot be
    made."""

    into: Archive | Path
    files: Sequence[Path]
    mappings: Maps[Path, Mapping] = field(default_factory=dict)
    """Of single files; the others go by a remembered mapping or as detected."""
    stated: Stated | None = None
    before: Sequence[Line] = ()
    """Files that could not even be looked into."""
    memory: Path | None = None
    """Where mappings are kept; None: the user's."""
    same_car: bool = False
    """A person says that files are of the car stated, although they look like another's."""
    cars: CarsFile = field(default_factory=CarsFile)

    def let(self, facts: Facts) -> None:
        """Raises AnotherCarError where a file is of another car than the one stated."""
        stated = None if self.stated is None else self.stated.car
        if stated is not None:
            known = self.cars.load().named(stated.label)
            car = stated if known is None else stated.over(known.car)
            what = tr("Stated as {car}", car=stated.called)
            let_through(self.cars, car, facts.identity, what, same_car=self.same_car)

    def confirmed(self, account: Account) -> ImportFiles:
        """Those files that were left out as another car's."""
        files = [one.source for one in account.imported if one.another_car is not None]
        return replace(self, files=files, before=(), same_car=True)

    def run(self, work: Work) -> Account:
        """A bad file is named; the next may be fine."""
        outcomes: list[Outcome] = []
        with suppress(CancelledError):
            for outcome in self._outcomes(work):
                outcomes.append(outcome)
        lines = [*map(_account_of, outcomes), *self.before]
        untouched = len(self.files) - len(outcomes)
        made = [path for outcome in outcomes for path in outcome.made]
        sentence = _sentence(outcomes, lines, untouched)
        return Account(sentence, lines, made, outcomes, untouched)

    def untouched(self) -> str:
        """The file it was at, and the rest."""
        return tr("Stopped: what was imported is whole, and nothing is there of the other files.")

    def _outcomes(self, work: Work) -> Iterator[Outcome]:
        from logbench.recording.storage import storage_trouble

        if isinstance(self.into, Path):
            with storage_trouble(self.into):
                make_folder(self.into)
            yield from self._made_in(self.into, work)
            return
        with tempfile.TemporaryDirectory(prefix="logbench-import-") as scratch:
            for outcome in self._made_in(Path(scratch), work):
                yield _added(self.into, outcome)
                for file in Path(scratch).iterdir():
                    file.unlink()

    def _made_in(self, folder: Path, work: Work) -> Iterator[Outcome]:
        from logbench.importing.known import Known
        from logbench.importing.run import Outcome, import_file

        known = Known(folder)
        for done, path in enumerate(self.files):
            told = work.telling_of(tr("Importing {name}", name=path.name), done, len(self.files))
            told(0.0)
            how = self.mappings.get(path), self.memory, self.stated, self.let, known, told
            try:
                yield import_file(path, folder, *how)
            except AnotherCarError as error:
                yield Outcome(path, problem=str(error), another_car=error)
            except LogbenchError as error:
                yield Outcome(path, problem=str(error))


def _added(archive: Archive, outcome: Outcome) -> Outcome:
    """The outcome of an import with the recordings' paths in the archive, where they are new."""
    made: dict[bool, list[Path]] = {True: [], False: []}
    try:
        for file in outcome.made:
            where, new = archive.add(file)
            made[new].append(Path(where))
    except LogbenchError as error:
        return replace(outcome, made=(), report=None, problem=str(error))
    return replace(outcome, made=tuple(made[True]), here=tuple(made[False]))


def _sentence(outcomes: Sequence[Outcome], lines: Sequence[Line], untouched: int) -> str:
    """How many of what; what was canceled before it was looked at is counted as such."""
    recordings = sum(len(outcome.made) for outcome in outcomes)
    files = sum(bool(outcome.made) for outcome in outcomes)
    here = sum(len(outcome.here) for outcome in outcomes)
    parts = [
        tr(
            "{recordings} from {files}",
            recordings=tr_n("{n:,} recording", "{n:,} recordings", recordings),
            files=tr_n("{n:,} file", "{n:,} files", files),
        )
    ]
    if here:
        parts.append(tr("{n:,} here already", n=here))
    parts.append(tr("{bad:,} not imported", bad=sum(line.bad for line in lines)))
    if untouched:
        parts.append(tr("{n:,} not touched", n=untouched))
    return "; ".join(parts) + "."


def _account_of(outcome: Outcome) -> Line:
    report = outcome.report
    if report is None:
        return Line(outcome.source.name, outcome.problem, bad=True)
    made = ", ".join(str(path) for path in outcome.made) or tr("nothing new")
    if outcome.here:
        names = ", ".join(str(path) for path in outcome.here)
        made = tr("{made}; is here already: {names}", made=made, names=names)
    text = tr(
        "{rows:,} rows, {samples:,} samples, {left_out:,} cells not read, {empty:,} empty: {made}",
        rows=report.rows,
        samples=report.samples,
        left_out=report.left_out,
        empty=report.empty,
        made=made,
    )
    row = tr("row")
    more = [
        f"{count:,} × {column or row}: {reason}"
        for (column, reason), count in sorted(report.counts.items())
    ]
    more += [
        tr("line {line}, {column}: {cell}", line=c.line, column=c.column or row, cell=repr(c.text))
        + f" {c.reason}"
        for c in report.unread
    ]
    return Line(outcome.source.name, text, more=[*more, *report.remarks])
