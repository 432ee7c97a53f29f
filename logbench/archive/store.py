"""Where an archive is: a folder of this computer, or a prefix of an object store.

An archive is never trusted. Links, names with control characters and paths that would leave the
root are refused; what was refused is listed. Nothing here deletes anything.
"""

from __future__ import annotations

import functools
import os
import re
import shutil
import stat
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.fs as pafs

from logbench.archive.partitions import Chosen, fits, pair_of, pairs_of
from logbench.errors import ArchiveError
from logbench.recording.notes import NOTES_SUFFIX
from logbench.recording.storage import copy_new, numbered, storage_trouble
from logbench.system.extras import lacks
from logbench.system.folders import Room
from logbench.system.limits import FOLDER_DEPTH, FOLDER_FILES
from logbench.system.private import make_folder

SUFFIX = ".parquet"
JOB_FILE = "job.toml"
QUARANTINE = "quarantine"
"""Folder below the root for damaged files; never looked into."""

HELD_BYTES = 16_000_000
"""Of an object that is held whole in memory; ten-minute drives take 0.2 MB."""
AT_ONCE = 16
"""Requests to an object store at the same time."""
NOTHING_CHOSEN: Chosen = {}

STATE = {"recording": pa.string(), "size_bytes": pa.int64(), "mtime_ns": pa.int64()}
"""Columns of an `Entry` in tables of what is known of files."""


class Entry(NamedTuple):
    """One file below the root, by its path with `/`, in the state it has; `mtime_ns` since 1970."""

    path: str
    size: int
    mtime_ns: int

    @property
    def columns(self) -> dict[str, Any]:
        """As columns of a table."""
        return dict(zip(STATE, self, strict=True))


def entries_of(table: pa.Table, path: str = "recording") -> list[Entry]:
    """The files that the rows of a table are about; `path`: the column with their paths."""
    names = (path, "size_bytes", "mtime_ns")
    return [Entry(*row) for row in zip(*(table[n].to_pylist() for n in names), strict=True)]


@dataclass(frozen=True, slots=True)
class Problem:
    """A file that is left out, and the reason as one sentence for the user."""

    path: str
    kind: str
    """`link`, `name`, `damaged`, `foreign`, `too new`, `enormous`, `unreadable`."""
    sentence: str


@dataclass(slots=True)
class Listing:
    """Recordings, the notes beside them and job files below the root, and what was refused."""

    recordings: list[Entry] = field(default_factory=list)
    jobs: list[Entry] = field(default_factory=list)
    notes: dict[str, Entry] = field(default_factory=dict)
    """By the path of their recording."""
    problems: list[Problem] = field(default_factory=list)

    def noted(self, path: str) -> int:
        """The state of the notes beside a recording; 0: there are none."""
        return self.notes[path].mtime_ns if path in self.notes else 0

    def take(self, entry: Entry) -> None:
        """One more file, notes, a job or a recording by its name."""
        if entry.path.endswith(NOTES_SUFFIX):
            self.notes[entry.path.removesuffix(NOTES_SUFFIX)] = entry
            return
        is_job = entry.path.rpartition("/")[2] == JOB_FILE
        (self.jobs if is_job else self.recordings).append(entry)


def _wanted(name: str) -> bool:
    return name == JOB_FILE or name.removesuffix(NOTES_SUFFIX).lower().endswith(SUFFIX)


class Store(ABC):
    """The few things that an archive needs of its place."""

    def __init__(self, url: str, root: Path | None) -> None:
        self.url = url
        """What the user gave, made absolute and without secrets: names the archive's cache."""
        self.root = root
        """The folder, links resolved; None for an object store."""

    @abstractmethod
    def listing(self, chosen: Chosen = NOTHING_CHOSEN) -> Listing:
        """All recordings and jobs, or those in the folders that are `chosen`. Raises `ArchiveError`
        when the place cannot be reached."""

    @abstractmethod
    def open(self, path: str) -> pa.NativeFile:
        """A file for reading at any place. Raises `ArchiveError`, `OSError`."""

    @abstractmethod
    def put(self, source: Path, path: str) -> str:
        """Copy a file in under that path or the next free one; returns the path."""


def open_store(place: str | os.PathLike[str]) -> Store:
    """The store at a folder or URL (`s3://bucket/prefix?endpoint_override=…`, any fsspec URL).

    Raises `ArchiveError` when there is no such folder or the URL is not understood.
    """
    text = os.fspath(place)
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text) and not text.startswith("file://"):
        return RemoteStore(text)
    return LocalStore(Path(text.removeprefix("file://")))


def check_name(path: str) -> str:
    """A path inside an archive, cleaned. Raises `ArchiveError` for one that would leave the root
    or has characters that no sound name has."""
    parts = PurePosixPath(path).parts
    if not parts or path.startswith(("/", "\\", "~")) or ".." in parts or "\\" in path:
        raise ArchiveError(f"{path!r} lies outside the archive: name a path below its root.")
    if re.match(r"[A-Za-z]:", path) or odd_name(path):
        raise ArchiveError(f"{path!r} is not a name that an archive can have: rename the file.")
    return str(PurePosixPath(path))


def odd_name(name: str) -> bool:
    """Whether a name has control, invisible, private or undecodable characters, or ends a line."""
    return _ODD.search(name) is not None


_ODD = re.compile("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\uf8ff]")


class LocalStore(Store):
    """A folder of this computer."""

    root: Path

    def __init__(self, root: Path) -> None:
        try:
            found = root.expanduser().resolve(strict=True)
        except OSError as error:
            raise ArchiveError(f"There is no archive at {root}: name a folder.") from error
        if not found.is_dir():
            raise ArchiveError(f"{root} is not a folder: an archive is a folder or a URL.")
        super().__init__(str(found), found)

    def listing(self, chosen: Chosen = NOTHING_CHOSEN) -> Listing:
        """All files in depth; links are listed as problems, never followed."""
        out = Listing()
        room = Room()
        for entry in _walk(self.url, "", out.problems, 0, room, chosen):
            if fits(pairs_of(entry.path), chosen):
                out.take(entry)
        if room.exceeded:
            sentence = f"{self.url} holds more than {FOLDER_FILES:,} names: some are left out."
            out.problems.append(Problem("", "enormous", sentence))
        return out

    def path_of(self, path: str) -> Path:
        """Where a file of the archive is. Raises `ArchiveError` when it lies outside, or is or
        passes a link."""
        inside = self.root / check_name(path)
        if Path(os.path.realpath(inside)) != inside:
            raise ArchiveError(f"{path} is or passes a link: the archive follows none.")
        return inside

    def open(self, path: str) -> pa.NativeFile:
        """A file for reading; see `path_of`."""
        return pa.OSFile(str(self.path_of(path)), "rb")

    def put(self, source: Path, path: str) -> str:
        """Copy, atomically and never over another file; returns the path taken."""
        target = self.root / check_name(path)
        with storage_trouble(target):
            make_folder(target.parent)
            self.path_of(f"{PurePosixPath(path).parent}/x" if "/" in path else "x")
            made = copy_new(source, target)
        return made.relative_to(self.root).as_posix()


def _walk(
    root: str, folder: str, problems: list[Problem], depth: int, room: Room, chosen: Chosen
) -> Iterator[Entry]:
    if depth > FOLDER_DEPTH:
        problems.append(Problem(folder, "name", f"{folder} is nested too deeply: left out."))
        return
    try:
        found = room.names_in(os.path.join(root, folder))
    except OSError as error:
        if not folder:
            raise ArchiveError(f"{root} cannot be read ({error.strerror}).") from error
        problems.append(
            Problem(folder, "unreadable", f"{folder} cannot be read ({error.strerror}).")
        )
        return
    for item in found:
        path = f"{folder}/{item.name}" if folder else item.name
        if item.name.startswith(".") or (not folder and item.name == QUARANTINE):
            continue
        wanted = _wanted(item.name)
        if item.is_symlink():
            if wanted or _leads_to_folder(item):
                sentence = f"{path!r} is a link: left out, an archive follows none."
                problems.append(Problem(path, "link", sentence))
        elif odd_name(item.name) or "\\" in item.name:
            if wanted or item.is_dir():
                problems.append(Problem(path, "name", f"{path!r} has odd characters: rename it."))
        elif item.is_dir():
            if fits(pairs_of(f"{path}/"), chosen, whole=False):
                yield from _walk(root, path, problems, depth + 1, room, chosen)
        elif wanted:
            info = item.stat(follow_symlinks=False)
            if stat.S_ISREG(info.st_mode):
                yield Entry(path, info.st_size, info.st_mtime_ns)
            else:
                problems.append(Problem(path, "foreign", f"{path} is not a plain file: left out."))


def _leads_to_folder(link: os.DirEntry[str]) -> bool:
    try:
        return link.is_dir()
    except OSError:  # in a circle
        return False


class RemoteStore(Store):
    """A prefix of an object store, through pyarrow's filesystems, or fsspec's for other schemes."""

    def __init__(self, url: str) -> None:
        shown = re.sub(r"(secret_key|access_key|password)=[^&]*", r"\1=…", url)
        super().__init__(re.sub(r"://[^/@]*@", "://…@", shown), None)
        try:
            self.filesystem, prefix = _filesystem(url)
        except (pa.ArrowException, OSError, ValueError, ImportError) as error:
            sentence = f"The archive's address {self.url} is not understood: {error}"
            raise ArchiveError(sentence) from error
        self._prefix = prefix.rstrip("/")
        self._held: dict[str, pa.Buffer] = {}

    def full(self, path: str) -> str:
        """The path as the filesystem wants it. Raises `ArchiveError` for one that leaves it."""
        return f"{self._prefix}/{check_name(path)}"

    def listing(self, chosen: Chosen = NOTHING_CHOSEN) -> Listing:
        """All objects below the prefix; those of folders like `year=2026` several at a time."""
        out = Listing()
        try:
            found = self._below(chosen)
        except (pa.ArrowException, OSError) as error:
            raise ArchiveError(f"The archive {self.url} cannot be reached: {error}") from error
        for info in found:
            path = self._path(info.path)
            if info.type != pafs.FileType.File or path.startswith(f"{QUARANTINE}/"):
                continue
            if not _wanted(path.rpartition("/")[2]) or not fits(pairs_of(path), chosen):
                continue
            try:
                check_name(path)
            except ArchiveError as error:
                out.problems.append(Problem(path, "name", str(error)))
                continue
            out.take(Entry(path, info.size or 0, info.mtime_ns or 0))
        return out

    def _path(self, full: str) -> str:
        return full.removeprefix(self._prefix).lstrip("/")

    def _below(self, chosen: Chosen) -> list[pafs.FileInfo]:
        """What is below the prefix, in order of names. Folders like `year=2026` are looked into one
        by one, those that are not chosen never."""
        found: list[pafs.FileInfo] = []
        level = [self._prefix]
        with ThreadPoolExecutor(AT_ONCE) as pool:
            for _ in range(FOLDER_DEPTH):
                below: list[str] = []
                for files, cut in pool.map(self._looked_into, level):
                    found += files
                    below += cut
                level = [
                    folder
                    for folder in below
                    if fits(pairs_of(f"{self._path(folder)}/"), chosen, whole=False)
                ]
        return sorted(found, key=lambda info: info.path)

    def _looked_into(self, folder: str) -> tuple[list[pafs.FileInfo], list[str]]:
        """All that is in a folder and below, but for folders like `year=2026`: their names."""
        here = self._in(folder)
        folders = [info for info in here if info.type == pafs.FileType.Directory]
        cut = [info.path for info in folders if pair_of(info.base_name)]
        if folders and not cut:
            return self._in(folder, deep=True), []
        files = [info for info in here if info.type == pafs.FileType.File]
        for info in folders:
            if info.path not in cut:
                files += self._in(info.path, deep=True)
        return files, cut

    def _in(self, folder: str, *, deep: bool = False) -> list[pafs.FileInfo]:
        found: list[pafs.FileInfo] = self.filesystem.get_file_info(
            pafs.FileSelector(folder, recursive=deep)
        )
        return found

    def open(self, path: str) -> pa.NativeFile:
        """An object for reading at any place: only what is read is fetched, once where `hold` did
        already."""
        held = self._held.get(path)
        if held is not None:
            return pa.BufferReader(held)
        return self.filesystem.open_input_file(self.full(path))

    def fetcher(self, path: str) -> Callable[[int, int], bytes]:
        """What fetches pieces of an object: from a place on, so many bytes; it is opened at the
        first."""
        opened = functools.cache(functools.partial(self.open, path))
        return lambda start, count: bytes(opened().read_at(count, start))

    def hold(self, entries: Iterable[Entry]) -> None:
        """Fetch some objects whole, several at a time, and keep them in memory in the place of
        those before: who reads most of a file spares its many pieces. What cannot be fetched, or is
        long, is read as any other."""
        self._held = {}
        wanted = [entry for entry in entries if entry.size <= HELD_BYTES]
        with ThreadPoolExecutor(AT_ONCE) as pool:
            coming = {entry.path: pool.submit(self._whole, entry) for entry in wanted}
        for path, buffer in coming.items():
            if buffer.exception() is None:
                self._held[path] = buffer.result()

    def _whole(self, entry: Entry) -> pa.Buffer:
        with self.filesystem.open_input_file(self.full(entry.path)) as file:
            return file.read_buffer()

    def put(self, source: Path, path: str) -> str:
        """Copy in under the first free name; object stores have no locks, so two programs that add
        the same name at the same instant may meet."""
        names = map(str, numbered(PurePosixPath(check_name(path))))
        path = next(name for name in names if self._is_free(name))
        with source.open("rb") as file, self.filesystem.open_output_stream(self.full(path)) as out:
            shutil.copyfileobj(file, out)
        return path

    def put_beside(self, data: bytes, path: str) -> None:
        """Write a small object, unless there is one of that name."""
        if self._is_free(path):
            with self.filesystem.open_output_stream(self.full(path)) as out:
                out.write(data)

    def remove(self, path: str) -> None:
        """Delete an object and the notes beside it; a store that keeps versions keeps theirs.
        Raises `OSError`."""
        for name in (path, f"{path}{NOTES_SUFFIX}"):
            if not self._is_free(name):
                self.filesystem.delete_file(self.full(name))

    def _is_free(self, path: str) -> bool:
        found = self.filesystem.get_file_info(self.full(path))
        return bool(found.type == pafs.FileType.NotFound)

    def read_beside(self, path: str, most: int) -> bytes | None:
        """A small object; None where there is none, or one of more than `most` bytes."""
        info = self.filesystem.get_file_info(self.full(path))
        if info.type != pafs.FileType.File or (info.size or 0) > most:
            return None
        with self.filesystem.open_input_stream(self.full(path)) as file:
            return bytes(file.read(most))


def _filesystem(url: str) -> tuple[pafs.FileSystem, str]:
    try:
        made: tuple[pafs.FileSystem, str] = pafs.FileSystem.from_uri(url)
        return made
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        try:
            from fsspec.core import url_to_fs  # type: ignore[import-untyped]
        except ImportError as error:
            address = f"An address like {url.partition('://')[0]}://"
            raise ArchiveError(lacks(address, "fsspec", "cluster")) from error
        inner, prefix = url_to_fs(url)
        return pafs.PyFileSystem(pafs.FSSpecHandler(inner)), prefix
