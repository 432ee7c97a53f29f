"""The job folders that this process works on: each has one owner, whoever shows it.

A job that is open is held once; what a case has read or done is committed here, into the held job
or, where nobody has it open, into its file.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

from logbench.errors import JobConflictError, StorageError
from logbench.job.folder import JobFolder, open_job
from logbench.job.model import Job

Change = Callable[[Job], None]
_TRIES = 5


class HeldJob:
    """A job being edited: saved soon after a change, never over somebody else's.

    Call `changed` after each edit and `tick` now and then (a timer); `flush` on leaving. After a
    conflict nothing more is written until `resume`. `problem` is the sentence to show. What was
    committed and is not on disk yet is put into whatever state is loaded again.
    """

    def __init__(
        self,
        folder: JobFolder,
        job: Job,
        delay_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = folder
        self.job = job
        self.delay_s = delay_s
        self.problem = ""
        self.conflict = False
        self.committed: Callable[[], None] = lambda: None
        """Called on any thread when something was committed."""
        self._clock = clock
        self._since: float | None = None
        self._owed: list[Change] = []
        self._lock = threading.RLock()

    @property
    def dirty(self) -> bool:
        """Whether there is something that is not on disk yet."""
        return self._since is not None

    def changed(self) -> None:
        """The job was edited."""
        if self._since is None:
            self._since = self._clock()

    def commit(self, change: Change) -> None:
        """Change the job from any thread and save it; where that fails it is owed."""
        with self._lock:
            change(self.job)
            self._owed.append(change)
            self.changed()
            self.flush()
        self.committed()

    def tick(self) -> bool:
        """Save when it is time; True when it was saved."""
        if self._since is None or self._clock() - self._since < self.delay_s:
            return False
        return self.flush()

    def flush(self) -> bool:
        """Save now if there is anything to; True when it was saved. A full disk is tried again."""
        with self._lock:
            if self._since is None or self.conflict:
                return False
            try:
                self.folder.save(self.job)
            except JobConflictError as error:
                self.problem, self.conflict = str(error), True
                return False
            except StorageError as error:
                self.problem, self._since = str(error), self._clock()
                return False
            self._since, self.problem = None, ""
            self._owed.clear()
            return True

    def resume(self, job: Job) -> None:
        """Go on with the job as it was loaded again, and with what is owed to it."""
        with self._lock:
            self.job, self._since, self.problem, self.conflict = job, None, "", False
            for change in self._owed:
                change(job)
                self.changed()


class JobStore:
    """One for a process, made where it starts and handed on."""

    def __init__(self) -> None:
        self._held: dict[Path, tuple[HeldJob, int]] = {}
        self._lock = threading.RLock()

    def hold(self, path: Path) -> HeldJob:
        """The job of a folder or job file, the same for all who hold it. Raises `JobError`."""
        with self._lock:
            folder, job = open_job(path)
            key = folder.path.resolve()
            held, count = self._held.get(key, (HeldJob(folder, job), 0))
            self._held[key] = held, count + 1
            return held

    def release(self, held: HeldJob) -> None:
        """Save it, and hold it no longer when nobody else does."""
        with self._lock:
            held.flush()
            key = held.folder.path.resolve()
            count = self._held[key][1] - 1
            if count:
                self._held[key] = held, count
            else:
                del self._held[key]

    def commit(self, path: Path, change: Change) -> None:
        """Put a change into the job of a folder and save it. Raises `JobError`, `StorageError`."""
        with self._lock:
            held = self._held.get(path.resolve())
            if held is not None:
                held[0].commit(change)
                return
            for attempt in range(_TRIES):
                folder, job = open_job(path)
                change(job)
                try:
                    folder.save(job)
                except JobConflictError:  # another program saved in between: on top of that
                    if attempt == _TRIES - 1:
                        raise
                else:
                    return
