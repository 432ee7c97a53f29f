"""Evidence of a job: its seal, what a report says of it, and all of it for third parties."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from logbench.cases.recording import altered
from logbench.cases.work import Work, only_looks
from logbench.errors import LogbenchError, RecordingError, UsageError
from logbench.foreign import Foreign
from logbench.job.folder import JOB_FILE, JobFolder
from logbench.job.keys import fingerprint
from logbench.job.ledger import LEDGER_FILE, Entry
from logbench.job.model import Job
from logbench.job.pieces import pieces_data, sha256_of
from logbench.job.seal import Seal, head_text, mark_in, seal_of
from logbench.job.times import when_text
from logbench.system.folders import files_below
from logbench.system.limits import REPORT_BYTES
from logbench.system.reading import read_plain
from logbench.words import tr, tr_n


@only_looks
def verify_job(work: Work, folder: JobFolder) -> Seal:
    """Whether a job still is what entered its ledger. Raises JobError, StorageError."""
    work.report(tr("Verifying the job"))
    return seal_of(folder)


@dataclass(frozen=True)
class ReportVerified:
    """A report held against the job it was made of. `problems`: what does not fit; `said`: what
    does, and what is to be known besides."""

    seal: Seal
    problems: tuple[str, ...]
    said: tuple[str, ...]


@only_looks
def verify_report(work: Work, report: Path, folder: JobFolder) -> ReportVerified:
    """Whether a report is the one that was written, of this job as it is; and its numbers computed
    anew. Raises UsageError for a file that is not a report with the mark of a ledger, JobError,
    StorageError."""
    data, marked = _marked(report)
    seal = verify_job(folder).run(work)
    problems = [*_held_against(data, marked, seal, folder), *seal.problems]
    said = [*([seal.sentence] if seal.state == "other key" else []), *_fitting(data, marked, seal)]
    for problem, text in _computed_anew(folder, work):
        (problems if problem else said).append(text)
    return ReportVerified(seal, tuple(problems), tuple(said))


@only_looks
def verify_handover(work: Work, path: Path) -> ReportVerified:
    """The same of a job packed for third parties (`HandOver`): the job in it, its report and the
    report's numbers. Raises as `unpacked` and `verify_report`."""
    from logbench.cases.handover import (
        NUMBERS_FILE,
        PIECES_FILE,
        REPORT_FILE,
        files_of,
        unpacked,
    )

    work.report(tr("Unpacking {name}", name=path.name))
    with unpacked(path) as place:
        folder = JobFolder(place / "job")
        found = verify_report(place / REPORT_FILE, folder).run(work)
        entered = {entry.sha256 for entry in found.seal.reports}
        problems = list(found.problems)
        numbers, texts = (_bytes_of(place / name) for name in (NUMBERS_FILE, PIECES_FILE))
        if sha256_of(numbers) not in entered:
            problems.append(tr("{file} is not what was written.", file=NUMBERS_FILE))
        known = {JOB_FILE, LEDGER_FILE, *dict(files_of(folder))}
        here = {path.relative_to(folder.path).as_posix() for path in files_below(folder.path)}
        problems += [
            tr("{file} never entered the ledger.", file=Foreign(name)) for name in here - known
        ]
        if texts != pieces_data(folder.load()):
            problems.append(tr("{file} is not what was written.", file=PIECES_FILE))
    return replace(found, problems=tuple(problems))


def _bytes_of(path: Path) -> bytes:
    """Of a file of a packed job; none where it is missing or too large."""
    try:
        return read_plain(path, REPORT_BYTES)
    except (OSError, ValueError):
        return b""


def _marked(report: Path) -> tuple[bytes, Seal]:
    """A report's bytes, and what it says of its ledger."""
    try:
        data = read_plain(report, REPORT_BYTES)
    except (OSError, ValueError) as error:
        raise UsageError(
            tr("{name} cannot be read as a report: {why}.", name=report.name, why=error)
        ) from error
    marked = mark_in(data)
    if marked is None:
        raise UsageError(
            tr(
                "{name} says nothing of a ledger: it is not a report of a sealed job, or it was "
                "written anew by another program.",
                name=report.name,
            )
        )
    return data, marked


def _entered(data: bytes, seal: Seal) -> Entry | None:
    return next((entry for entry in seal.reports if entry.sha256 == sha256_of(data)), None)


def _held_against(data: bytes, marked: Seal, seal: Seal, folder: JobFolder) -> Iterator[str]:
    """What of a report does not fit its job."""
    if folder.ledger.head(marked.entries) != marked.head:
        yield tr(
            "The job's ledger is not the one that this report was made with: entries were removed "
            "or altered, or it is of another job."
        )
    if _entered(data, seal) is None:
        yield tr(
            "The file is none of the reports that were written of this job: it was altered, or "
            "its entry is missing."
        )


def _fitting(data: bytes, marked: Seal, seal: Seal) -> Iterator[str]:
    """What of it does, and what is to be known besides."""
    entry = _entered(data, seal)
    if entry is not None:
        when = when_text(entry.at_utc)
        yield tr("The file is the report that was written on {when}, to the byte.", when=when)
    more = seal.entries - marked.entries
    if more > 0:
        yield tr_n(
            "{n} entry came into the ledger since.",
            "{n} entries came into the ledger since.",
            more,
        )
    head, key = head_text(marked.head), fingerprint(marked.key)
    yield tr("Head {head}, signed with the key {key}.", head=head, key=key)


def _computed_anew(folder: JobFolder, work: Work) -> Iterator[tuple[bool, str]]:
    """Checksums, decoding and comparisons again: whether it is a problem, and a sentence."""
    from logbench.cases.decoding import decode_again

    job = folder.load()
    for entry in job.recordings:
        name = Foreign(entry.file)
        work.report(tr("Decoding {name} again", name=name))
        try:
            recording = folder.recording(entry)
            changed = altered(recording)
            yield from ((True, text) for text in changed)
            if recording.facts.exchanges is None or changed:
                continue
            again = decode_again(recording)
        except LogbenchError as error:
            yield True, str(error)
            continue
        if again.proved:
            yield False, tr("{file}: decoded again, every sample is what the car sent.", file=name)
        else:
            yield True, tr("{file}: decoded again, samples differ from what is kept.", file=name)
    yield from _compared_anew(folder, job, work)


def _compared_anew(folder: JobFolder, job: Job, work: Work) -> Iterator[tuple[bool, str]]:
    """Comparisons that are kept: with other limits, other drives in the archive or another version
    of the program they may say something else, which is not a problem by itself."""
    from logbench.cases.compare import compare_files

    for kept in job.comparisons:
        work.report(tr("Comparing again"))
        try:
            sides = [
                tuple(folder.place(file) for file in side) for side in (kept.before, kept.after)
            ]
            summary = compare_files(sides[0], sides[1], "").run(work).result.summary
        except (LogbenchError, RecordingError) as error:
            yield True, str(error)
            continue
        when = when_text(kept.at_utc)
        if summary == kept.sentence:
            yield False, tr("The comparison of {when}, computed again, says the same.", when=when)
        else:
            yield (
                False,
                tr(
                    "The comparison of {when}, computed again without other drives, says: {text}",
                    when=when,
                    text=Foreign(summary),
                ),
            )
