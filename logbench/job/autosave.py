"""Saving by itself: soon after a change, not at every keystroke; never over somebody else's."""

from __future__ import annotations

import time
from collections.abc import Callable

from logbench.errors import JobConflictError, StorageError
from logbench.job.folder import JobFolder
from logbench.job.model import Job


class Autosave:
    """Call `changed` after each edit and `tick` now and then (a timer); `flush` on leaving.

    After a conflict nothing more is written until `resume`. `problem` is the sentence to show.
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
        self._clock = clock
        self._since: float | None = None

    @property
    def dirty(self) -> bool:
        """Whether there is something that is not on disk yet."""
        return self._since is not None

    def changed(self) -> None:
        """The job was edited."""
        if self._since is None:
            self._since = self._clock()

    def tick(self) -> bool:
        """Save when it is time; True when it was saved."""
        if self._since is None or self._clock() - self._since < self.delay_s:
            return False
        return self.flush()

    def flush(self) -> bool:
        """Save now if there is anything to; True when it was saved. A full disk is tried again."""
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
        return True

    def resume(self, job: Job) -> None:
        """Go on with the job as it was loaded again."""
        self.job, self._since, self.problem, self.conflict = job, None, "", False
