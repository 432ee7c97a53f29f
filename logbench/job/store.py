"""The job folders that this process works on: each has one owner, whoever shows it.

A job that is open is held once; what a case has read or done is committed here, into the held job
or, where nobody has it open, into its file.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from logbench.errors import JobConflictError, JobError, LogbenchError
from logbench.job.folder import JobFolder, open_job
from logbench.job.model import Job
from logbench.system.history import History
from logbench.system.limits import JOB_ENTRIES
from logbench.words import tr

Change = Callable[[Job], object]
_PAUSE_S = 2.0
"""After so long, what is typed on into the same field is a step of its own."""


class HeldJob:
    """A job being edited: saved soon after a change, never over somebody else's. Thread-safe.

    Edit with `edit` only; `tick` now and then (a timer); `flush` on leaving. After a conflict no
    edit is written until `reload`; what is committed then goes into the file as somebody else has
    left it. `problem` is the sentence to show. Edits with a title can be undone until another state
    is loaded; what was committed in the meantime stays.
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
        self.committed: Callable[[], object] = lambda: None
        """Called on any thread when something was committed."""
        self.history = History[Job]()
        self._clock = clock
        self._typed_s = 0.0
        self._since: float | None = None
        self._owed: list[Change] = []
        """Committed, and not on disk yet."""
        self._lock = threading.RLock()

    @property
    def dirty(self) -> bool:
        """Whether there is something that is not on disk yet."""
        return self._since is not None

    def edit(self, change: Change, title: str = "", *, typed: bool = False) -> None:
        """Change the job. What `change` raises comes through. `title`: what it is, to be undone;
        `typed`: it may go on with what was typed just before under that title."""
        with self._lock:
            before = self.job.model_copy(deep=True) if title else self.job
            change(self.job)
            if title:
                now_s = self._clock()
                merge = typed and now_s - self._typed_s < _PAUSE_S
                self.history.done(title, before, merge=merge)
                self._typed_s = now_s
            self._touch()

    def undo(self, *, redo: bool = False) -> str:
        """Go back by one edit, or forward again, where there is one; what to say of it."""
        with self._lock:
            said, job = self.history.undo(self.job, redo=redo)
            if job is not None:
                self.job, self._typed_s = job, 0.0
                self._touch()
            return said

    def _touch(self) -> None:
        if self._since is None:
            self._since = self._clock()

    def commit(self, change: Change) -> None:
        """Change the job from any thread and save it at once; where that fails it is owed."""
        with self._lock:
            self.edit(change)
            try:
                self.history.amend(partial(_with, change))
            except LogbenchError:  # a list as it was is full
                self.history.clear()
            self._owed.append(change)
            self.flush()
        self.committed()

    def tick(self) -> bool:
        """Save when it is time; True when it was saved."""
        with self._lock:
            if self._since is None or self._clock() - self._since < self.delay_s:
                return False
            return self.flush()

    def flush(self) -> bool:
        """Save now if there is anything to; True when it was saved. A full disk is tried again."""
        with self._lock:
            if self._since is None:
                return False
            try:
                if not self.conflict:
                    self.folder.save(self.job)
            except JobConflictError as error:
                self.problem, self.conflict = str(error), True
            except LogbenchError as error:
                self.problem, self._since = str(error), self._clock()
                return False
            if self.conflict:
                self._pay_on_disk()
                return False
            self._since, self.problem = None, ""
            self._owed.clear()
            return True

    def _pay_on_disk(self) -> None:
        """Put what is owed into the file as it is; the edits stay in conflict with it."""
        self._since = self._clock()
        try:
            for change in tuple(self._owed):
                JobFolder(self.folder.path).amend(change)
                self._owed.remove(change)
        except LogbenchError as error:  # a full disk, another program: tried again
            self.problem = str(error)

    def reload(self) -> None:
        """Take what is on disk, and what is owed to it; edits that were not saved are gone. Raises
        JobError, with nothing changed."""
        with self._lock:
            self.job = self.folder.load()
            self.history.clear()
            self._since, self.problem, self.conflict = None, "", False
            for change in self._owed:
                self.edit(change)

    def follow(self) -> bool:
        """Take what somebody else has saved, where nothing waits to be saved here; True when there
        was something. Raises JobError."""
        with self._lock:
            if self.dirty or not self.folder.changed_elsewhere():
                return False
            self.reload()
            return True


def _with(change: Change, job: Job) -> Job:
    """A job with a change, sharing nothing with any other that has it."""
    change(job)
    return job.model_copy(deep=True)


_LISTS = ("readings", "events", "recordings", "comparisons", "photos", "files")


def bring_over(job: Job, scratch: Job) -> None:
    """Put the entries of `scratch`, which holds new ones only, behind those of `job`; what was
    stated of the car stays. Raises JobError, with nothing changed, where a list would be too long.
    """
    longer = {name: [*getattr(job, name), *getattr(scratch, name)] for name in _LISTS}
    if any(len(entries) > JOB_ENTRIES for entries in longer.values()):
        raise JobError(tr("A list of the job holds {most} entries at most.", most=JOB_ENTRIES))
    for name, entries in longer.items():
        setattr(job, name, entries)
    job.vehicle.learn(scratch.vehicle)


class JobStore:
    """One for a process, made where it starts and handed on. Thread-safe."""

    def __init__(self) -> None:
        self._held: dict[Path, tuple[HeldJob, int]] = {}
        self._lock = threading.RLock()

    def hold(self, path: Path) -> HeldJob:
        """The job of a folder or job file, the same for all who hold it. Raises JobError."""
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

    def read(self, folder: Path) -> Job:
        """The job of a folder as it is: being edited, or on disk. Raises JobError."""
        with self._lock:
            held, _ = self._held.get(folder.resolve(), (None, 0))
            return JobFolder(folder).load() if held is None else held.job.model_copy(deep=True)

    def commit(self, folder: Path, change: Change) -> None:
        """Put a change into the job of a folder and save it. Raises JobError, StorageError where
        nobody holds the job; one that is held is tried again."""
        with self._lock:
            held, _ = self._held.get(folder.resolve(), (None, 0))
            if held is not None:
                held.commit(change)
            else:
                JobFolder(folder).amend(change)
