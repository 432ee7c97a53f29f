"""Recovery beside a recording: what a crash left in a folder, journal by journal, on a thread."""

from __future__ import annotations

import queue
import threading
from pathlib import Path

from logbench.recording.model import JournalOutcome
from logbench.recording.places import journal_folders
from logbench.recording.recovery import recover
from logbench.system.threads import Supervised

_PATIENCE_S = 2.0
"""So long the end of a recording waits for the journal that is being finished."""


class Recovery:
    """Never in the way of a recording: it is begun when samples come, and is heard when asked."""

    def __init__(self, folder: Path, second: Path | None) -> None:
        """`second`: the second place of the recordings in this folder."""
        self._folder = folder
        self._folders = journal_folders(folder, second)
        self._outcomes: queue.SimpleQueue[JournalOutcome] = queue.SimpleQueue()
        self._due = threading.Event()
        self._begun = False
        self._thread = Supervised("recovery", self._run, on_stop=self._due.set)

    def begin(self) -> None:
        """Go through the folder; again after that, where it is being done."""
        self._due.set()
        if not self._begun:
            self._begun = True
            self._thread.start()

    def said(self) -> list[str]:
        """What has become of journals since the last call, as far as it matters."""
        said = []
        while not self._outcomes.empty():
            outcome = self._outcomes.get()
            if outcome.matters:
                said.append(outcome.sentence)
        return said

    def end(self) -> list[str]:
        """No further journal; what is still to be said. One that takes long is left as it is."""
        self._thread.stop()
        ended = self._thread.join(_PATIENCE_S)
        left = f"Journals of earlier recordings are left: logbench recover {self._folder}"
        return self.said() if ended else [*self.said(), left]

    def _run(self) -> None:
        while self._due.wait() and not self._thread.stopping.is_set():
            self._due.clear()
            for outcome in recover(*self._folders):
                self._outcomes.put(outcome)
                if self._thread.stopping.is_set():
                    return
