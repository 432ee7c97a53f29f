"""Adding to an archive, and checking that what is in it still is what was recorded."""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from logbench.archive.reading import is_unreachable, open_entry, read_footer
from logbench.archive.store import (
    QUARANTINE,
    SUFFIX,
    Entry,
    LocalStore,
    Problem,
    RemoteStore,
    Store,
    check_name,
)
from logbench.errors import ArchiveError, LogbenchError, RecordingDamagedError
from logbench.recording.notes import NOTES_SUFFIX, carry_notes, notes_data, notes_path
from logbench.recording.reader import open_recording
from logbench.recording.storage import numbered, replacing, storage_trouble, write_whole
from logbench.system.limits import NOTES_BYTES
from logbench.system.platforms import claim, is_device
from logbench.system.private import make_folder, owner_only

Health = Literal["sound", "damaged", "unreadable", "without a checksum"]
"""`unreadable`: the disk or the network gave an error; nothing is known of the content."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of one file. `moved_to`: its path in quarantine, or ``."""

    path: str
    health: Health
    sentence: str = ""
    moved_to: str = ""


def verify_entry(store: Store, entry: Entry) -> Checked:
    """Read every sample of one recording and hold them against their checksum."""
    try:
        intact = open_entry(store, entry).intact()
    except LogbenchError as error:
        footer = read_footer(store, entry)
        lost = isinstance(footer, Problem) and footer.kind == "unreadable"
        health: Health = "unreadable" if lost or is_unreachable(error) else "damaged"
        return Checked(entry.path, health, str(error))
    if intact is None:
        return Checked(entry.path, "without a checksum", f"{entry.path} stores no checksum.")
    if not intact:
        sentence = f"The samples of {entry.path} are not those that were recorded."
        return Checked(entry.path, "damaged", sentence)
    return Checked(entry.path, "sound")


def verify_all(
    store: Store, entries: list[Entry], problems: tuple[Problem, ...], *, quarantine: bool = False
) -> Iterator[Checked]:
    """Every recording and every damaged file; with `quarantine` the damaged ones are set aside.

    Foreign, too new, odd and unreadable files, and job files, are never moved.
    """
    for problem in problems:
        if problem.kind in {"damaged", "enormous"} and problem.path.lower().endswith(SUFFIX):
            yield _set_aside(store, Checked(problem.path, "damaged", problem.sentence), quarantine)
    for entry in entries:
        yield _set_aside(store, verify_entry(store, entry), quarantine)


def _set_aside(store: Store, found: Checked, quarantine: bool) -> Checked:
    if found.health != "damaged" or not quarantine:
        return found
    if not isinstance(store, LocalStore):
        sentence = f"{found.sentence} Set it aside in the object store by hand."
        return Checked(found.path, "damaged", sentence)
    source = store.path_of(found.path)
    target = store.root / QUARANTINE / check_name(found.path)
    with storage_trouble(target):
        make_folder(target.parent)
        if Path(target.parent).resolve() != target.parent:
            raise ArchiveError(f"{target.parent} is or passes a link: make it a plain folder.")
        name = next(name for name in numbered(target) if claim(source, name))
        if notes_path(source).is_file():
            claim(notes_path(source), notes_path(name))
    moved = name.relative_to(store.root).as_posix()
    return Checked(found.path, "damaged", found.sentence, moved)


def add_recording(store: Store, source: Path, known: dict[str, str]) -> tuple[str, bool]:
    """Copy a sound recording in; (its path, whether it is new).

    It goes to `CAR/DATE-NAME.parquet`. `known`: checksum of the samples to the path that has them:
    the same samples are not added twice, and what is added is put into it. The notes beside the
    recording go with it, in any case. Raises the errors of `open_recording`,
    `RecordingDamagedError` for samples that are not those recorded, `StorageError`, `NotesError`.
    """
    recording = open_recording(source)
    if recording.intact() is False:
        raise RecordingDamagedError(
            f"The samples of {source} are not those that were recorded: use another copy of it."
        )
    facts = recording.facts
    if facts.samples_sha256 and facts.samples_sha256 in known:
        path = known[facts.samples_sha256]
        _carry_notes(store, source, path)
        return path, False
    car = safe_name(facts.vehicle.called) or "unnamed car"
    date = safe_name(facts.started[:10])
    stem = safe_name(source.stem) or "recording"
    name = stem if not date or date.replace("-", "") in stem.replace("-", "") else f"{date}-{stem}"
    path = store.put(source, str(PurePosixPath(car) / f"{name}.parquet"))
    if facts.samples_sha256:
        known[facts.samples_sha256] = path
    _carry_notes(store, source, path)
    return path, True


def _carry_notes(store: Store, source: Path, path: str) -> None:
    if isinstance(store, LocalStore):
        carry_notes(source, store.path_of(path))
        return
    data = notes_data(source)
    if data is not None and isinstance(store, RemoteStore):
        store.put_beside(data, f"{path}{NOTES_SUFFIX}")


def fetched(store: Store, entry: Entry, cache: Path) -> Path:
    """The file itself, or a copy of the object in `cache`, with its notes, that is made when there
    is none of this state. Raises `ArchiveError`, `StorageError`."""
    if isinstance(store, LocalStore):
        return store.path_of(entry.path)
    state = hashlib.sha256(f"{entry.path}\0{entry.size}\0{entry.mtime_ns}".encode()).hexdigest()
    target = cache / "fetched" / state[:16] / PurePosixPath(entry.path).name
    if target.exists() and target.stat().st_size == entry.size:
        return target
    with storage_trouble(target):
        make_folder(target.parent)
        with (
            store.open(entry.path) as source,
            replacing(target) as part,
            open(part, "xb", opener=owner_only) as out,
        ):
            shutil.copyfileobj(source, out, 1 << 20)
    if isinstance(store, RemoteStore) and not notes_path(target).exists():
        data = store.read_beside(f"{entry.path}{NOTES_SUFFIX}", NOTES_BYTES)
        if data is not None:
            write_whole(notes_path(target), data)
    return target


def safe_name(text: str) -> str:
    """A name that every file system takes: letters, digits, space, point, dash; at most 60."""
    kept = re.sub(r"[^\w .-]+", "-", text, flags=re.UNICODE)
    kept = re.sub(r"\s+", " ", kept).strip(" .-")[:60].strip(" .-")
    return f"{kept}_" if is_device(kept) or kept == QUARANTINE else kept
