"""Where a journal's bytes go: a first place, a mirror where one is set, and another place to go on
in when no disk takes them any more.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from collections.abc import Callable
from enum import IntEnum
from operator import attrgetter
from pathlib import Path

from logbench.errors import StorageError
from logbench.recording.journal_reading import SUFFIX, journal_path
from logbench.recording.place import PATIENCE_S, SLOW_S, Frames, Place
from logbench.system.platforms import data_home
from logbench.system.private import make_folder

_GRACE_S = 1.0
"""A fault that may pass is waited for so long, then the journal goes on in another place."""
_HANG_S = 5.0
"""The same for a disk that only does not answer."""
_TICK_S = 0.05
_END_S = 5.0
"""So long the places have to end; one that hangs is left behind."""


def rescue_folder() -> Path:
    """Where recordings go on when their disk is gone and no second place is set: in the user's own
    data folder. It may not exist."""
    return data_home() / "rescued"


def journal_folders(folder: Path, second: Path | None = None) -> list[Path]:
    """Where the journals of recordings into `folder` may be, with that second place, the likeliest
    first."""
    return [folder, *([] if second is None else [second]), rescue_folder()]


class Places:
    """The places of one journal. Methods are for one thread at a time, mostly the journal's.

    `told` gets sentences of what happens to the disks, `notes` what belongs into the recording.
    """

    def __init__(
        self, first: Place, frames: Frames, changed: threading.Condition, second: Path | None
    ) -> None:
        self.told: Callable[[str], object] = lambda _: None
        self.notes: list[str] = []
        self._frames, self._changed = frames, changed
        self._out = first.path.with_name(first.path.name.removesuffix(SUFFIX))
        """The recording-to-be."""
        self._all = [first]
        self._coming: Place | None = None
        """Where the journal is brought to just now, because no other place takes anything."""
        self._ended = False
        self._level: dict[Place, _Level] = {}
        self._spare = [rescue_folder()]
        first.start()
        if second is not None:
            self._open_in(second, first)

    @classmethod
    def create(cls, path: Path, head: bytes, second: Path | None = None) -> Places:
        """A new journal at `path` that begins with `head`, durable when this returns, and its
        mirror in the folder `second`. Raises `StorageError`."""
        frames, changed = Frames(head), threading.Condition()
        first = Place(frames, changed, path)
        first.create()
        return cls(first, frames, changed, second)

    @classmethod
    def reopen(
        cls, path: Path, fd: int, size_bytes: int, head: bytes, second: Path | None = None
    ) -> Places:
        """Go on in a journal that is locked already and ends at `size_bytes`; `head` begins it in
        another place if the first cannot be read."""
        frames, changed = Frames(head), threading.Condition()
        first = Place(frames, changed, path)
        first.reopen(fd, size_bytes)
        return cls(first, frames, changed, second)

    def add(self, frame: bytes) -> None:
        """Take a frame, all of it or nothing; `settle` waits until it is durable."""
        with self._changed:
            self._frames.add(frame)
            self._changed.notify_all()

    def settle(self) -> None:
        """Wait until all that was added is durable in one place at least, going on elsewhere where
        none takes it. Raises `StorageError` when there is no place left."""
        while True:
            with self._changed:
                if not self.whole():
                    self._changed.wait(_TICK_S)
            self.tend()
            if self.whole():
                return

    def tend(self) -> None:
        """Look after the places; call it now and then. Raises as `settle`."""
        for place in self._all:
            self._tell(place)
        if self._coming in self.whole():
            self._tell_moved()
        if self.whole() or not all(map(_stuck, self._all)):
            return
        if self._spare:
            self._move_on(self._spare.pop(0))
        elif all(place.failed or place.late_s > PATIENCE_S for place in self._all):
            first, *more = self._all
            either = "".join(f" {p.path.parent} cannot be used either." for p in more)
            raise StorageError(first.sentence + either) from first.trouble

    def whole(self) -> list[Place]:
        """Those that hold everything and take more, the first place first."""
        with self._changed:
            return [p for p in self._all if not p.failed and p.done == self._frames.count]

    @property
    def best(self) -> Place:
        """Where the recording is, as far as it can be said now."""
        whole = self.whole()
        return whole[0] if whole else max(self._all, key=lambda p: (p.done, not p.failed))

    def leave_best(self) -> Path:
        """Give the lock of the best place back, so that its journal can be finished as an orphan's;
        those of the others are kept. Returns its path."""
        for place in self._all:
            place.end()
        best = self.best
        if best.join(_END_S):  # else its thread may still use the file
            best.close()
        return best.path

    def end(self) -> None:
        """Write what waits, give back the room reserved, end the threads; the files stay locked
        until `close`. A place that hangs is left behind. Raises as `settle`."""
        if self._ended:
            return
        self.settle()
        self._ended = True
        for place in self._all:
            place.end()
        until = time.monotonic() + _END_S
        for place in self._all:
            if not place.join(max(0.0, until - time.monotonic())):
                place.fail(OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT)))
            self._tell(place)

    def remove(self) -> None:
        """Take the journals away: what is in them is proven to be elsewhere. One that is out of
        reach stays."""
        for place in self._all:
            if place.join(0):  # else even looking for it may hang
                place.remove()

    def close(self) -> None:
        """Give the locks back; what was written stays."""
        for place in self._all:
            place.end()
        for place in self._all:
            if place.join(0 if place.failed else _END_S):  # else its thread may still use the file
                place.close()

    def _open_in(self, folder: Path, source: Place | None) -> Place:
        out = folder / self._out.name
        place = Place(self._frames, self._changed, journal_path(out))
        place.start(source, out)
        self._all.append(place)
        return place

    def _move_on(self, folder: Path) -> None:
        bad = max(
            (p for p in self._all if p.trouble is not None), key=attrgetter("done"), default=None
        )
        with contextlib.suppress(OSError):  # the place will say so
            make_folder(folder)
        self._level.update(dict.fromkeys(self._all, _Level.FAILED))
        self._coming = self._open_in(folder, bad)
        sentence = (bad or self._all[0]).sentence
        self.told(f"{sentence} What was recorded so far is brought to {folder}.")

    def _tell_moved(self) -> None:
        assert self._coming is not None
        place, self._coming = self._coming, None
        text = f"The recording goes on in {place.path.parent}."
        if place.missing:
            text += f" Its beginning is only in {self._all[0].path}."
        self.told(text)
        self.notes.append(
            f"the recording goes on in another place ({_cause(self._all[0].trouble)})"
        )

    def _tell(self, place: Place) -> None:
        """What has happened to it since the last time, once."""
        with self._changed:
            overcome, place.overcome = place.overcome, []
        for seconds, error in overcome:
            self._tell_once(place, _Level.WAITS, error)
            self._level[place] = _Level.GOOD
            if len(self._all) == 1:
                text = f"the disk took nothing for {seconds:.1f} s ({_cause(error)})"
                self.notes.append(f"{text}; nothing is lost")
        if place.failed:
            self._tell_once(place, _Level.FAILED, place.trouble)
        elif place.trouble is not None or place.late_s > SLOW_S:
            self._tell_once(place, _Level.WAITS, place.trouble)

    def _tell_once(self, place: Place, level: _Level, error: BaseException | None) -> None:
        if self._level.get(place, _Level.GOOD) >= level:
            return
        self._level[place] = level
        others = [p for p in self._all if p is not place and p.fd >= 0 and not _stuck(p)]
        if others:
            rest = f"The recording goes on in {others[0].path.parent}."
        elif level is _Level.WAITS:
            rest = "Samples wait in memory; writing is tried again."
        else:
            return  # said by who moves on, or by the end
        self.told(f"{place.sentence_of(error)} {rest}")


class _Level(IntEnum):
    """What was said of a place."""

    GOOD = 0
    WAITS = 1
    FAILED = 2


def _cause(error: BaseException | None) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return type(error).__name__


def _stuck(place: Place) -> bool:
    """It is not worth waiting for it alone."""
    late_s = place.late_s
    return place.failed or late_s > (_HANG_S if place.trouble is None else _GRACE_S)
