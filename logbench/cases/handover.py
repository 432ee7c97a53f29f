"""All of a job for third parties in one file: job, ledger, public key, report, and a page that
verifies them in a browser."""

from __future__ import annotations

import json
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from logbench.cases.cars import CarsFile
from logbench.cases.job import JobCase
from logbench.cases.work import Canceling, Deed, Outcome, Work, not_written
from logbench.errors import JobDamagedError, UsageError
from logbench.job.folder import JOB_FILE, JobFolder
from logbench.job.keys import fingerprint
from logbench.job.ledger import LEDGER_FILE
from logbench.job.names import place_inside
from logbench.job.pieces import NUMBERS, pieces_data, pieces_of
from logbench.job.seal import Seal, seal_of
from logbench.recording.notes import notes_path
from logbench.recording.storage import replacing, storage_trouble, write_whole
from logbench.report.options import ReportOptions
from logbench.system.limits import HANDOVER_BYTES, HANDOVER_FILES
from logbench.system.private import make_folder, owner_only
from logbench.words import tr

PAGE = "verify.html"
REPORT_FILE = "report.pdf"
PIECES_FILE = "pieces.json"
NUMBERS_FILE = "numbers.json"
README = "handover.md"
"""What lies in it, in words; English, for nobody knows who will read it."""


@dataclass(frozen=True)
class HandOver(JobCase[Seal], Deed[Seal]):
    """Write the zip, whose name must end so and be free. `shortened`: with names, plates and VINs
    shortened, without photos, files and raw exchanges. Raises UsageError, JobError, StorageError,
    and the reader's errors for a shortened one."""

    folder: JobFolder
    out: Path
    options: ReportOptions
    shortened: bool = False
    title: ClassVar[str] = tr("Writing the files for third parties")
    canceling: ClassVar[Canceling] = "drop"

    def run(self, work: Work) -> Seal:
        """What verifying the job that lies in it has found; until its report enters the ledger, it
        can be canceled."""
        from logbench.job.shortened import shortened_copy
        from logbench.report.document import write_report
        from logbench.report.gather import gather
        from logbench.report.numbers import numbers_of

        if self.out.suffix.lower() != ".zip" or self.out.exists():
            raise UsageError(tr("Name a new file that ends in .zip, not {path}.", path=self.out))
        with tempfile.TemporaryDirectory() as place:
            work.report(tr("Copying the job"))
            folder = JobFolder(self.folder.path)
            if self.shortened:
                folder = shortened_copy(folder, Path(place, "job"))
            report = Path(place, REPORT_FILE)

            def told(text: str, share: float) -> None:
                work.report(text, 0.1 + 0.6 * share)

            material = gather(folder, folder.load(), self.options, CarsFile().load(), told)
            write_report(material, report, told, work.seal)
            folder.enter_written(report)
            numbers = Path(place, NUMBERS_FILE)
            write_whole(numbers, json.dumps(numbers_of(material), ensure_ascii=False).encode())
            folder.enter_written(numbers, NUMBERS)
            seal = seal_of(folder)
            work.report(tr("Packing"), 0.7)
            with (
                storage_trouble(self.out),
                replacing(self.out) as part,
                open(part, "xb", opener=owner_only) as file,
                zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed,
            ):
                packed.write(report, report.name)
                packed.write(numbers, numbers.name)
                for share in _pack(packed, folder, seal):
                    work.report(tr("Packing"), 0.7 + 0.3 * share)
        return seal

    def untouched(self) -> str:
        """Neither zip nor job."""
        return not_written(self.out, tr("the job"))

    def outcome(self, answer: Seal) -> Outcome:
        """Where it is, and whether the job in it is sealed."""
        text = tr("Written to {path}.", path=self.out)
        return Outcome(" ".join((text, answer.sentence)), answer.state != "changed")


@contextmanager
def unpacked(path: Path) -> Iterator[Path]:
    """What lies in such a zip, in a folder that is gone afterwards: `job`, report, numbers. Nothing
    in it is believed. Raises `UsageError` for a zip that is none, or none of this kind;
    `StorageError`."""
    refused = UsageError(
        tr("{name} is not a job packed for third parties: 'job export' makes one.", name=path.name)
    )
    with tempfile.TemporaryDirectory() as place:
        try:
            with storage_trouble(path), zipfile.ZipFile(path) as packed:
                _unpack(packed, Path(place))
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError,
                JobDamagedError, ValueError) as error:  # fmt: skip
            raise refused from error
        if not Path(place, "job", JOB_FILE).is_file() or not Path(place, REPORT_FILE).is_file():
            raise refused
        yield Path(place)


def _unpack(packed: zipfile.ZipFile, place: Path) -> None:
    """Raises `ValueError` for more than a job can hold and for names that stand there twice,
    `JobDamagedError` for one that leads out of it."""
    parts = [part for part in packed.infolist() if not part.is_dir()]
    names = {part.filename.casefold() for part in parts}
    if len(names) != len(parts) or len(parts) > HANDOVER_FILES:
        raise ValueError(names)
    if sum(part.file_size for part in parts) > HANDOVER_BYTES:
        raise ValueError(sum(part.file_size for part in parts))
    for part in parts:
        target = place_inside(place, part.filename)
        make_folder(target.parent)
        with packed.open(part) as source, open(target, "xb", opener=owner_only) as file:
            shutil.copyfileobj(source, file)  # no more than the size it states


def _pack(packed: zipfile.ZipFile, folder: JobFolder, seal: Seal) -> Iterator[float]:
    """Put all else in; the share that is done."""
    job = folder.load()
    packed.write(Path(__file__).parent / README, "README.txt")
    packed.write(Path(__file__).parent / PAGE, PAGE)
    keys = "".join(f"{key}\n    fingerprint {fingerprint(key)}\n" for key in seal.keys)
    packed.writestr("key.txt", keys)
    packed.writestr(PIECES_FILE, pieces_data(job))
    lines = b"".join(line + b"\n" for line in folder.ledger.lines())
    packed.writestr(f"job/{LEDGER_FILE}", lines)
    packed.write(folder.file, f"job/{JOB_FILE}")
    files = dict(files_of(folder))
    for number, (name, path) in enumerate(files.items()):
        packed.write(path, f"job/{name}")
        yield number / len(files)


def files_of(folder: JobFolder) -> Iterator[tuple[str, Path]]:
    """Files of the job that are there, by their place in it."""
    for piece in pieces_of(folder.load()):
        if not piece.file:
            continue
        try:
            path = folder.place(piece.file)
        except JobDamagedError:
            continue
        for one in (path, notes_path(path)):
            if one.is_file():
                yield one.relative_to(folder.path.resolve()).as_posix(), one
