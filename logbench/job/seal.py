"""Whether a job still is what entered its ledger: each piece and each entry looked at, what is
altered, missing or foreign named. Nothing is written, and nothing is refused for what is found."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

from logbench.errors import JobDamagedError, JobError, StorageError
from logbench.foreign import Foreign
from logbench.job.folder import JobFolder, job_folder_of
from logbench.job.keys import Keys, fingerprint
from logbench.job.ledger import LEDGER_FILE, Entry
from logbench.job.model import Job
from logbench.job.names import place_inside
from logbench.job.pieces import (
    BESIDE,
    Piece,
    counterpart,
    pieces_of,
    sha256_of,
)
from logbench.job.replay import Replay, called, place_of, replayed
from logbench.job.times import when_text
from logbench.recording.notes import notes_path
from logbench.recording.storage import file_sha256
from logbench.system.folders import FolderTooLargeError, files_below
from logbench.words import tr, tr_n

State = Literal["sealed", "other key", "changed", "none"]
_FOLDERS = ("recordings", "readings", "photos", "files")


@dataclass(frozen=True, slots=True)
class Seal:
    """What verifying a job has found.

    `sealed`: every piece is what entered the ledger, every entry as it was signed by this
    installation. `other key`: the same, with entries that another installation signed. `changed`:
    something is not. `none`: there is no ledger, nothing is claimed.
    """

    state: State = "none"
    sentence: str = ""
    """What that means, for whoever reads nothing else."""
    problems: tuple[str, ...] = ()
    """A sentence for each thing that is altered, missing or foreign."""
    remarks: tuple[str, ...] = ()
    """What else was noticed; it takes nothing from the seal."""
    begun_utc: str = ""
    entries: int = 0
    head: str = ""
    """SHA-256 of the ledger's last line, in hex: with it, nobody can make another that ends so."""
    key: str = ""
    """The public key of the last entry, in hex."""
    keys: tuple[str, ...] = ()
    """All public keys that signed, in hex."""
    foreign: tuple[str, ...] = ()
    """Those of them that this installation never had."""
    reports: tuple[Entry, ...] = ()
    """Reports that were entered, and files of their numbers."""

    @property
    def notable(self) -> bool:
        """Whether it is to be said before anything else: a piece is not what entered, or another
        installation signed."""
        return self.state in ("changed", "other key")

    @property
    def mark(self) -> str:
        """What a report says of the ledger it was made with, for `mark_in`; `` where there is
        none."""
        return f"logbench-ledger:{self.entries}:{self.head}:{self.key}" if self.head else ""


_MARK = re.compile(rb"logbench-ledger:(\d{1,9}):([0-9a-f]{64}):([0-9a-f]{64})")


def mark_in(data: bytes) -> Seal | None:
    """What a report (PDF or HTML, its bytes) says of the ledger it was made with: entries, head and
    key; None where it says nothing, or two things."""
    found = {match.groups() for match in _MARK.finditer(data)}
    if len(found) != 1:
        return None
    entries, head, key = (part.decode() for part in found.pop())
    return Seal(entries=int(entries), head=head, key=key)


def head_text(head: str) -> str:
    """A ledger's head as people compare it: all of it, in groups of eight."""
    return " ".join(head[at : at + 8] for at in range(0, len(head), 8))


def seal_of(folder: JobFolder) -> Seal:
    """Verify a job on disk. Raises JobError where there is no job that can be read, StorageError
    where the ledger cannot."""
    job, keys = JobFolder(folder.path).load(), Keys().public()
    try:
        lines = folder.ledger.lines()
    except JobDamagedError as error:
        return _changed([str(error)], Replay(), job, keys)
    if not lines and not job.ledger.begun_utc:
        return Seal(sentence=tr(
            "This job is not sealed: it has no ledger, and nothing shows whether it was altered. "
            "A ledger begins with the next change."
        ))  # fmt: skip
    replay = replayed(lines)
    problems = [*_mark(job, replay), *replay.problems]
    problems += () if replay.cut else _held_against(job, replay)
    problems += _files(folder, job, replay)
    replay.remarks += _strangers(folder, job)
    if problems:
        return _changed(problems, replay, job, keys)
    return _whole(replay, keys)


# --- the ledger, and what the job knows of it ---


def _mark(job: Job, replay: Replay) -> Iterator[str]:
    """What the job knows of its ledger, against what there is."""
    if not replay.count:
        yield tr(
            "{file} is missing: the job has had a ledger since {when}.",
            file=LEDGER_FILE,
            when=when_text(job.ledger.begun_utc),
        )
    elif replay.count < job.ledger.entries:
        yield tr(
            "The ledger ends with entry {last}, but the job knows of {n}: entries were removed at "
            "its end.",
            last=replay.count - 1,
            n=job.ledger.entries,
        )
    elif not job.ledger.begun_utc:
        yield tr("The job says nothing of its ledger: job.toml was altered, or replaced.")
    if replay.count and not replay.begun_utc:
        yield tr("The beginning of the ledger is missing.")


# --- the job against it ---


def _held_against(job: Job, replay: Replay) -> Iterator[str]:
    """Pieces of the job that are not what entered, never entered, or are gone."""
    unknown, left = _matched(job, replay)
    gone = [(Piece(one.kind, one.sha256, one.said, at_utc=one.at_utc), one) for one in left]
    for piece in unknown:
        former = _former(piece, [one for one, _ in gone])
        if former is None:
            yield _never_entered(piece)
            continue
        at = next(n for n, (one, _) in enumerate(gone) if one is former)
        yield tr(
            "The {piece} is not what entered the ledger ({entry}): it was altered outside of the "
            "program.",
            piece=piece.name,
            entry=called(gone.pop(at)[1]),
        )
    for _, entry in gone:
        yield tr(
            "What entered the ledger as {entry} is missing in the job: it was taken out or altered "
            "outside of the program.",
            entry=called(entry),
        )


def _matched(job: Job, replay: Replay) -> tuple[list[Piece], list[Entry]]:
    """Pieces that no entry stands for, and entries that stand for no piece."""
    left = [
        entry
        for place, entries in replay.standing.items()
        if not place.startswith(f"{BESIDE} ")
        for entry in entries
    ]
    unknown = []
    for piece in pieces_of(job):
        entry = _entry_of(piece, left)
        if entry is None:
            unknown.append(piece)
        else:
            left.remove(entry)
    return unknown, left


def _entry_of(piece: Piece, standing: Iterable[Entry]) -> Entry | None:
    return next((e for e in standing if (e.kind, e.names) == (piece.kind, piece.key)), None)


def _never_entered(piece: Piece) -> str:
    return tr(
        "The {piece} never entered the ledger: it was added or altered outside of the program.",
        piece=piece.name,
    )


def _former(piece: Piece, gone: list[Piece]) -> Piece | None:
    """What a piece was, where that can be said: by its file, or where it is the only one."""
    same = [one for one in gone if one.kind == piece.kind]
    found = counterpart(piece, [one for one in same if one.sha256 == piece.sha256])
    return found or (same[0] if len(same) == 1 else None)


def _files(folder: JobFolder, job: Job, replay: Replay) -> Iterator[str]:
    """Files of the job that are not what entered, or are gone."""
    done = set()
    for piece in pieces_of(job):
        if not piece.file or piece.file in done:
            continue
        done.add(piece.file)
        yield from _file(folder, piece.file, piece.sha256, piece.name)
        if piece.kind == "recording":
            beside = replay.standing[place_of(BESIDE, piece.sha256)]
            yield from _notes(folder, piece.file, beside)


def _file(folder: JobFolder, file: str, sha256: str, name: Foreign) -> Iterator[str]:
    try:
        found = file_sha256(folder.place(file))
    except StorageError:
        yield tr("The {piece} is missing, or cannot be read.", piece=name)
    except JobDamagedError as error:
        yield str(error)
    else:
        if found != sha256:
            yield tr("The {piece} was altered: it is not the file that entered.", piece=name)


def _notes(folder: JobFolder, file: str, standing: list[Entry]) -> Iterator[str]:
    """What stands beside a recording."""
    try:
        path = notes_path(folder.place(file))
        there = file_sha256(path) if path.exists() else ""
    except (StorageError, JobDamagedError):
        there = "unreadable"
    if there == (standing[-1].sha256 if standing else ""):
        return
    name = Foreign(file)
    if not there:
        yield tr("The notes and corrections beside {file} are missing.", file=name)
    elif not standing:
        yield tr("The notes and corrections beside {file} never entered the ledger.", file=name)
    else:
        yield tr(
            "The notes and corrections beside {file} were altered: they are not what entered.",
            file=name,
        )


def _strangers(folder: JobFolder, job: Job) -> Iterator[str]:
    """Files in the job's folders that belong to none of its pieces."""
    known = set()
    for piece in pieces_of(job):
        if piece.file:
            with suppress(JobDamagedError):
                known |= {folder.place(piece.file), notes_path(folder.place(piece.file))}
    for name in _FOLDERS:
        with suppress(FolderTooLargeError, JobDamagedError):
            for path in files_below(place_inside(folder.path, name)):
                if path.resolve() not in known and not path.name.startswith("."):
                    shown = Foreign(f"{name}/{path.name}")
                    yield tr("{file} lies in the folder and is not part of the job.", file=shown)


# --- what it comes to ---


def _changed(problems: list[str], replay: Replay, job: Job, keys: frozenset[str]) -> Seal:
    begun = replay.begun_utc or job.ledger.begun_utc
    sentence = tr("This job was CHANGED since it was sealed. {first}", first=problems[0])
    if len(problems) > 1:
        more = tr_n("{n} more thing was found.", "{n} more things were found.", len(problems) - 1)
        sentence = " ".join((sentence, more))
    if replay.others(keys):
        replay.remarks.append(_by_others(replay, keys))
    return _seal("changed", sentence, replay, begun, keys, tuple(problems))


def _whole(replay: Replay, keys: frozenset[str]) -> Seal:
    sentence = tr_n(
        "Sealed since {since}: {n} entry, and every piece is what entered.",
        "Sealed since {since}: {n} entries, and every piece is what entered.",
        replay.count,
        since=when_text(replay.begun_utc),
    )
    if not replay.others(keys):
        return _seal("sealed", sentence, replay, replay.begun_utc, keys)
    sentence = " ".join((sentence, _by_others(replay, keys)))
    return _seal("other key", sentence, replay, replay.begun_utc, keys)


def _by_others(replay: Replay, keys: frozenset[str]) -> str:
    """How many entries another installation signed, and with which key."""
    others = replay.others(keys)
    return tr_n(
        "{n} entry of {all} is signed by another installation, with the key {keys}.",
        "{n} entries of {all} are signed by another installation, with the key {keys}.",
        sum(len(replay.keys[key]) for key in others),
        all=replay.count,
        keys=", ".join(map(fingerprint, others)),
    )


def _seal(
    state: State,
    sentence: str,
    replay: Replay,
    begun: str,
    keys: frozenset[str],
    problems: tuple[str, ...] = (),
) -> Seal:
    return Seal(
        state=state,
        sentence=sentence,
        problems=problems,
        remarks=tuple(replay.remarks),
        begun_utc=begun,
        entries=replay.count,
        head=sha256_of(replay.head) if replay.head else "",
        key=replay.last.key if replay.last else "",
        keys=tuple(replay.keys),
        foreign=replay.others(keys),
        reports=tuple(replay.reports),
    )


class FileSeal(NamedTuple):
    """A recording held against the ledger of the job it lies in."""

    problems: tuple[str, ...] = ()
    """Why it, or what stands beside it, is not what entered; a sentence each."""
    remark: str = ""
    """That another installation has sealed it."""


def file_seal(path: Path) -> FileSeal:
    """The same of a recording alone; it says nothing of one in no job, or in one without a
    ledger."""
    home = job_folder_of(path)
    if home is None:
        return FileSeal()
    folder = JobFolder(home)
    try:
        job, lines = folder.load(), folder.ledger.lines()
    except (JobError, StorageError):  # whoever opens the job is told
        return FileSeal()
    replay = replayed(lines)
    if replay.cut:
        return FileSeal((replay.problems[0],))
    problems: list[str] = []
    signed: set[str] = set()
    for piece in pieces_of(job) if replay.count or job.ledger.begun_utc else ():
        with suppress(JobDamagedError):
            if not piece.file or folder.place(piece.file) != path.resolve():
                continue
            beside = replay.standing[place_of(BESIDE, piece.sha256)]
            entry = _entry_of(piece, replay.standing[piece.kind])
            found = [*_file(folder, piece.file, piece.sha256, piece.name)]
            problems += found or ([] if entry else [_never_entered(piece)])
            problems += _notes(folder, piece.file, beside)
            signed |= {one.key for one in (entry, *beside) if one}
    others = sorted(signed - Keys().public())
    return FileSeal(tuple(problems), _sealed_by(others, path) if others else "")


def _sealed_by(keys: list[str], path: Path) -> str:
    return tr(
        "{file} was sealed by another installation, with the key {keys}.",
        file=Foreign(path.name),
        keys=", ".join(map(fingerprint, keys)),
    )
