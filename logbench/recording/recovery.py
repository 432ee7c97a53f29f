"""What a crash left behind: journals become recordings, one by one, each on its own."""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from logbench.errors import (
    LogbenchError,
    NotARecordingError,
    RecordingMissingError,
    SamplesMissingError,
    StorageError,
    first_line,
)
from logbench.recording.finish import NothingRecordedError, finish, remove_journal
from logbench.recording.journal import JournalInUseError, JournalLock
from logbench.recording.journal_reading import SUFFIX, samples_by_frame, scan_journal, scan_start
from logbench.recording.model import JournalOutcome
from logbench.recording.storage import storage_trouble, sweep, write_all

log = logging.getLogger(__name__)

_CHUNK = 8_000_000


def recover(*folders: Path) -> Iterator[JournalOutcome]:
    """Finish all orphaned journals in these folders, in order of their names; one outcome for each
    recording.

    Nothing that is wrong with one of them raises or keeps the others from being finished. Files
    that are not journals of ours, and journals that another program is writing, are left alone.
    Several journals of one recording, a mirror or what a disk held that went away, become one.
    Unfinished files of ours that a crash left behind more than an hour ago are removed.
    """
    journals: list[Path] = []
    for folder in dict.fromkeys(folders):
        try:
            journals += _journals(folder)
            sweep(folder)
        except FileNotFoundError:
            continue
        except OSError as error:
            yield JournalOutcome(folder, "left", f"{folder} cannot be read ({error.strerror}).")
    for group in _by_recording(journals):
        yield from _outcomes(group, folders)


def _outcomes(journals: list[Path], folders: Sequence[Path]) -> Iterator[JournalOutcome]:
    """One; where they cannot become one recording, one each."""
    together = _outcome(journals, folders)
    if together is None:
        return
    if len(journals) > 1 and together.kind == "left" and together.path is None:
        for journal in journals:
            yield from _outcomes([journal], folders)
    else:
        yield together


def _journals(folder: Path) -> list[Path]:
    return sorted(
        Path(entry.path)
        for entry in os.scandir(folder)
        if entry.name.endswith(SUFFIX) and entry.is_file(follow_symlinks=False)
    )


def _by_recording(journals: list[Path]) -> list[list[Path]]:
    """Those of one recording together; one that cannot be told stands for itself."""
    groups: dict[object, list[Path]] = {}
    for journal in journals:
        recording: object = journal
        with contextlib.suppress(LogbenchError, OSError):
            recording = scan_start(journal) or journal
        groups.setdefault(recording, []).append(journal)
    return list(groups.values())


def _finish_all(journals: list[Path], folders: Sequence[Path]) -> Path:
    """The recording of which these are journals; as `finish` of the fullest of them, which gets
    what only the others hold."""
    if len(journals) == 1:
        return finish(journals[0], folders)
    fullest, *others = sorted(journals, key=lambda path: -scan_journal(path).samples)
    with contextlib.ExitStack() as locks:
        held = [locks.enter_context(JournalLock(path)) for path in others]
        with JournalLock(fullest) as lock:
            for other in others:
                if not _begins_with(fullest, other):
                    _refuse_another_drive(fullest, other)
                    _append(lock, other)
        path = finish(fullest, folders)
        for twin in held:
            remove_journal(twin)
    return path


def _begins_with(journal: Path, other: Path) -> bool:
    """Whether the first bytes are just what the other holds."""
    left = scan_journal(other).whole_bytes
    with journal.open("rb") as ours, other.open("rb") as theirs:
        while left > 0:
            part = theirs.read(min(_CHUNK, left))
            if not part or ours.read(len(part)) != part:
                return False
            left -= len(part)
    return True


def _refuse_another_drive(journal: Path, other: Path) -> None:
    """Raise `StorageError` where two journals were gone on with apart, from a copy: then neither
    holds what the other does."""
    ours, theirs = samples_by_frame(journal), samples_by_frame(other)
    if any(ours[number] != theirs[number] for number in ours.keys() & theirs.keys()):
        raise StorageError(f"{journal} and {other} hold different drives.")


def _append(lock: JournalLock, other: Path) -> None:
    """Put the frames of another journal behind: each is read once, in its place. `StorageError`;
    nothing is changed then."""
    size_bytes = os.fstat(lock.fd).st_size
    with storage_trouble(lock.path):
        os.lseek(lock.fd, 0, os.SEEK_END)
        try:
            with other.open("rb") as source:
                while part := source.read(_CHUNK):
                    write_all(lock.fd, part)
            os.fsync(lock.fd)
        except OSError:
            os.ftruncate(lock.fd, size_bytes)
            raise


def _outcome(journals: list[Path], folders: Sequence[Path]) -> JournalOutcome | None:
    """None where they are gone."""
    journal = journals[0]
    try:
        scan_start(journal)
        path = _finish_all(journals, folders)
        return JournalOutcome(
            journal, "recovered", f"An unfinished recording was recovered: {path}", path
        )
    except RecordingMissingError:
        return None
    except NothingRecordedError as error:
        return JournalOutcome(journal, "empty", str(error))
    except JournalInUseError as error:
        return JournalOutcome(journal, "in use", str(error))
    except NotARecordingError as error:
        return JournalOutcome(journal, "foreign", str(error))
    except SamplesMissingError as error:
        return JournalOutcome(journal, "left", str(error), error.path)
    except LogbenchError as error:
        return JournalOutcome(journal, "left", str(error))
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # libraries written in Rust raise such where memory lacks
        log.exception("a journal was left")
        why = f"{journal} could not be recovered ({first_line(error)}): it is left as it is."
        return JournalOutcome(journal, "left", why)
