"""A journal's file in one folder, written by a thread of its own.

A disk may hang, fill, or be pulled; neither the polling nor the journal's other places wait for it.
What may pass is tried again for `PATIENCE_S`; then, or at once where nothing can be hoped for, the
place has failed for good.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path

from logbench.errors import StorageError
from logbench.recording.journal_reading import journal_path
from logbench.recording.storage import (
    is_full,
    is_passing,
    numbered,
    storage_error,
    storage_trouble,
    unfinished,
    write_all,
)
from logbench.system.platforms import (
    BINARY,
    claim,
    open_files_can_go,
    read_at,
    reserve,
    sync_folder,
    try_lock,
)
from logbench.system.private import FILE_MODE, owner_only
from logbench.system.threads import Supervised

KEPT_BYTES = 32_000_000
"""Frames kept in memory for a disk that cannot be read any more: eight hours of 100 samples/s."""
PATIENCE_S = 30.0
"""A fault that lasts longer ends the place."""
SLOW_S = 2.0
"""What takes longer is worth a word, though no error came."""
_PAUSES_S = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Between attempts to write; the last repeats."""
_LOOK_S = 0.5
"""Between two looks at whether the file is still there, and how much room there is."""
_PIECES = (4_000_000, 256_000)
"""Room reserved ahead, bytes; the smaller where the disk has not that much any more."""
DRIVE_BYTES = 20_000_000
"""Room that a drive should find: an hour of 200 samples/s, its journal and the finished file."""
_CHUNK = 8_000_000
"""Bytes brought over at a time."""
_NEW = ".new"
"""Ends the name of a journal that is not locked yet."""


class Frames:
    """What was written into a journal, frame by frame, the newest kept in memory."""

    def __init__(self, head: bytes, most_bytes: int = KEPT_BYTES) -> None:
        """`head`: what a journal begins with, if its first frames are forgotten."""
        self.head = head
        self.count = 0
        """Frames behind the head so far."""
        self._kept: deque[bytes] = deque()
        self._bytes, self._most = 0, most_bytes

    def add(self, frame: bytes) -> None:
        """Keep this, too; the oldest make room."""
        self._kept.append(frame)
        self.count += 1
        self._bytes += len(frame)
        while self._bytes > self._most and len(self._kept) > 1:
            self._bytes -= len(self._kept.popleft())

    @property
    def first(self) -> int:
        """Number of the oldest that is kept."""
        return self.count - len(self._kept)

    def since(self, number: int) -> list[bytes]:
        """Those from `number` on. Raises `OSError` where some of them are forgotten."""
        if number < self.first:
            raise OSError(errno.ETIMEDOUT, "the disk is too far behind")
        return [self._kept[n] for n in range(number - self.first, len(self._kept))]


class Place:
    """Takes the frames as they come; `changed` is notified of whatever happens to it.

    Its attributes are read by others under `changed`.
    """

    def __init__(self, frames: Frames, changed: threading.Condition, path: Path) -> None:
        self.path = path
        """Of the journal."""
        self.fd = -1
        """Locked for this process."""
        self.done = 0
        """Frames that are durable here."""
        self.size_bytes = 0
        """Of what is durable."""
        self.free_bytes: int | None = None
        """Room left, reserved or free; None: not known."""
        self.trouble: BaseException | None = None
        """Why it takes nothing for now, or any more."""
        self.failed = False
        """It takes nothing any more."""
        self.missing = 0
        """Frames at the beginning that could not be brought over to here."""
        self.busy_since: float | None = None
        """Monotonic time at which it began with what it is still at."""
        self.overcome: list[tuple[float, BaseException]] = []
        """Faults that passed: how long it took nothing, s, and why."""
        self._frames, self._changed = frames, changed
        self._reserved = 0
        self._torn = False
        self._ending = False
        self._next_look = 0.0
        self._thread: Supervised | None = None

    # --- for the journal's thread ---

    def create(self) -> None:
        """Make the journal at `path`, with what there is so far. Raises `StorageError`, also where
        the name is taken."""
        frames = self._frames
        with storage_trouble(self.path):
            self.fd = created(self.path, frames.head)
        self.size_bytes = self._reserved = len(frames.head)

    def reopen(self, fd: int, size_bytes: int) -> None:
        """Go on in a file that is locked already and ends at `size_bytes`."""
        self.fd, self.size_bytes, self._reserved = fd, size_bytes, size_bytes

    def start(self, source: Place | None = None, out: Path | None = None) -> None:
        """Take frames from now on. `out`: make the journal first, for a recording of that name or
        the next free one, and bring over what `source` holds."""

        def run() -> None:
            self._run(None if out is None else lambda: self._bring_over(source, out))

        self._thread = Supervised("place", run, on_death=self.fail).start()

    def end(self) -> None:
        """Write what waits, give back the room reserved, end the thread; do not wait for it."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()

    def join(self, timeout_s: float) -> bool:
        """Whether its thread has ended within this time."""
        return self._thread is None or self._thread.join(timeout_s)

    def close(self) -> None:
        """Give the lock back; what is on the disk stays."""
        fd, self.fd = self.fd, -1
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)

    def remove(self) -> None:
        """Take the journal away, also where its folder was moved meanwhile, if that can be told."""
        for path in (self.path, self._moved_to()):
            with contextlib.suppress(OSError):
                if os.path.samestat(os.stat(path), os.fstat(self.fd)):
                    if not open_files_can_go():
                        self.close()
                    path.unlink()
                    sync_folder(path.parent)
                    return

    def _moved_to(self) -> Path:
        """Its path by the system (Linux), which knows the folder, and its name when it was made."""
        with contextlib.suppress(OSError):
            return Path(os.readlink(f"/proc/self/fd/{self.fd}")).with_name(self.path.name)
        return self.path

    def fail(self, error: BaseException) -> None:
        """It takes nothing any more."""
        with self._changed:
            self.trouble, self.failed = error, True
            self._changed.notify_all()

    @property
    def late_s(self) -> float:
        """How long it has been at what it does now."""
        return 0.0 if self.busy_since is None else time.monotonic() - self.busy_since

    @property
    def sentence(self) -> str:
        """What is the matter, as a sentence."""
        return self.sentence_of(self.trouble)

    def sentence_of(self, error: BaseException | None) -> str:
        """What it means for the file that this has happened, None: that nothing has."""
        if isinstance(error, OSError):
            return str(storage_error(error, self.path))
        if error is None:
            return f"{self.path.parent} does not answer: check the disk or the network."
        return str(error) if isinstance(error, StorageError) else f"{self.path}: {error!r}."

    # --- its own thread ---

    def _run(self, prepare: Callable[[], None] | None) -> None:
        try:
            if prepare is not None:
                self._patiently(prepare)
            while self._something_to_do():
                self._patiently(self._take)
            with contextlib.suppress(OSError):  # all is durable: zeros behind it do no harm
                self._cut_back()
        except (OSError, MemoryError, StorageError) as error:
            self.fail(error)

    def _something_to_do(self) -> bool:
        """Wait for frames or for the next look; False at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._ending or self._waiting, _LOOK_S)
            return not self.failed and (self._waiting or not self._ending)

    @property
    def _waiting(self) -> bool:
        return self._frames.count > self.done

    def _patiently(self, work: Callable[[], None]) -> None:
        began_s = self.busy_since = time.monotonic()
        pauses = iter(_PAUSES_S)
        while True:
            try:
                work()
                break
            except (OSError, MemoryError) as error:
                patience_s = SLOW_S if self._ending else PATIENCE_S
                if not is_passing(error) or time.monotonic() - began_s > patience_s:
                    raise
                with self._changed:
                    self.trouble = error
                    self._changed.notify_all()
                time.sleep(next(pauses, _PAUSES_S[-1]))
        took_s = time.monotonic() - began_s
        with self._changed:
            trouble, self.busy_since = self.trouble, None
            if trouble is None and took_s > SLOW_S:
                trouble = OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))
            if trouble is not None and not self.failed:
                self.overcome.append((took_s, trouble))
                self.trouble = None
            self._changed.notify_all()

    def _take(self) -> None:
        """Write what there is, look whether it can be found there."""
        with self._changed:
            frames = self._frames.since(self.done)
        if frames:
            data = b"".join(frames)
            self._write(data)
            with self._changed:
                self.done += len(frames)
                self.size_bytes += len(data)
            self._torn = False
        if time.monotonic() >= self._next_look:
            self._look()
            self._next_look = time.monotonic() + _LOOK_S

    def _look(self) -> None:
        """Raises `FileNotFoundError` where the file is no longer at its path: the folder was moved
        or deleted, and whatever is written is seen by nobody."""
        if not os.path.samestat(os.stat(self.path), os.fstat(self.fd)):
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(self.path))
        reserved = max(0, self._reserved - self.size_bytes)
        self.free_bytes = shutil.disk_usage(self.path.parent).free + reserved

    def _write(self, data: bytes) -> None:
        """All of it, durable, or nothing of it; it is torn until it is counted, too."""
        try:
            if self._torn:
                self._cut_back()
            self._reserve(self.size_bytes + len(data))
            self._torn = True
            write_all(self.fd, data)
            os.fsync(self.fd)
        except OSError:
            with contextlib.suppress(OSError):  # else the next attempt does it
                self._cut_back()
            raise

    def _reserve(self, needed: int) -> None:
        """So that a disk filled by others does not end a drive; where it cannot be done, it goes
        on without. What is reserved reads as zeros."""
        if needed <= self._reserved:
            return
        self._reserved = needed
        for piece in _PIECES:
            with contextlib.suppress(OSError):
                reserve(self.fd, needed, piece)
                self._reserved = needed + piece
                return

    def _cut_back(self) -> None:
        """End the file after what is durable."""
        os.ftruncate(self.fd, self.size_bytes)
        os.lseek(self.fd, self.size_bytes, os.SEEK_SET)
        self._reserved, self._torn = self.size_bytes, False

    def _bring_over(self, source: Place | None, out: Path) -> None:
        """Make the journal here, with all there is: from the open file of `source`, or else from
        the frames in memory."""
        if source is not None:
            with self._changed:
                size_bytes, done = source.size_bytes, source.done
            with contextlib.suppress(_UnreadableError):
                self._make(out, _chunks(source.fd, size_bytes), done)
                return
        with self._changed:
            first = self.missing = self._frames.first
        self._make(out, iter([self._frames.head]), first)

    def _make(self, out: Path, parts: Iterator[bytes], done: int) -> None:
        """A journal of these bytes, which hold the first `done` frames, and of those that follow;
        nothing is left of it after a failure."""
        with self._changed:
            rest = self._frames.since(done)
        self.path, self.fd = _create_numbered(out, next(parts))
        try:
            for part in itertools.chain(parts, [b"".join(rest)]):
                write_all(self.fd, part)
                os.fsync(self.fd)
                self.busy_since = time.monotonic()  # it may take long, but it gets on
        except BaseException:
            self.close()
            with contextlib.suppress(OSError):
                self.path.unlink()
            raise
        with self._changed:
            self.size_bytes = self._reserved = os.lseek(self.fd, 0, os.SEEK_CUR)
            self.done = done + len(rest)


class _UnreadableError(Exception):
    """What was written in another place cannot be read there any more."""


def _chunks(fd: int, size_bytes: int) -> Iterator[bytes]:
    """The beginning of an open file, whose folder may be gone."""
    for at in range(0, size_bytes, _CHUNK):
        try:
            part = read_at(fd, min(_CHUNK, size_bytes - at), at)
        except OSError as error:
            raise _UnreadableError from error
        if part is None or len(part) < min(_CHUNK, size_bytes - at):
            raise _UnreadableError
        yield part


def check_folder(folder: Path) -> None:
    """Say at once, before a drive, that `folder` has no room for it, or takes nothing.

    Raises `StorageError`.
    """
    if not folder.is_dir():
        raise StorageError(f"The folder {folder} does not exist: choose another folder.")
    probe = unfinished(folder / "probe")
    try:
        with storage_trouble(folder.absolute()):
            try:
                with open(probe, "xb", opener=owner_only) as file:
                    file.write(bytes(4096))
                    file.flush()
                    reserve(file.fileno(), 0, DRIVE_BYTES)
            finally:
                probe.unlink(missing_ok=True)
            if shutil.disk_usage(folder).free < DRIVE_BYTES:  # where nothing can be reserved
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    except StorageError as error:
        if not is_full(error):
            raise
        raise StorageError(
            f"The disk is too full: {folder.absolute()} has no room for the "
            f"{DRIVE_BYTES // 1_000_000} MB that an hour's recording takes. Free some space, or "
            "choose another folder."
        ) from error


def free_names(out: Path) -> Iterator[Path]:
    """Names of journals for the recording `out` or, where there is one of that name, the next."""
    for name in numbered(out):
        journal = journal_path(name)
        if not name.exists() and not journal.exists():
            yield journal


def _create_numbered(out: Path, head: bytes) -> tuple[Path, int]:
    for journal in free_names(out):
        with contextlib.suppress(NameTakenError):
            return journal, created(journal, head)
    raise AssertionError("numbered() ends in an error")


class NameTakenError(StorageError):
    """There is a journal of that name already."""


def created(path: Path, head: bytes) -> int:
    """A new journal with its head on disk, locked; returns its descriptor.

    It is locked before it has a journal's name: between the two, another program would take it for
    an orphan. Raises `NameTakenError`, `OSError`.
    """
    taken = f"{path} exists already: another recording of that name was not finished."
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | BINARY
    first = unfinished(path, _NEW) if open_files_can_go() else path
    # One that cannot be renamed while it is open cannot be removed by who takes it so, either.
    try:
        fd = os.open(first, flags, FILE_MODE)
    except FileExistsError as error:
        raise NameTakenError(taken) from error
    try:
        if not try_lock(fd):
            raise StorageError(f"{path} is locked by another program: try again.")
        write_all(fd, head)
        os.fsync(fd)
        if first != path and not claim(first, path):
            raise NameTakenError(taken)
        sync_folder(path.parent)
    except BaseException:
        os.close(fd)
        first.unlink(missing_ok=True)
        raise
    return fd
