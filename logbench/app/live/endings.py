"""How a drive ends: what is said then, and the one thing that can be done about it."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QObject, Signal

from logbench.app.live.session import LiveSession
from logbench.app.live.setup import SetUp
from logbench.app.live.starting import Starting
from logbench.app.parts import Notice
from logbench.capture.messages import Failed, Finished
from logbench.cases.live import RecoverJournals
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.signals.numbers import count_text, time_text
from logbench.words import tr

_JOURNAL = ".journal"


class Endings(QObject):
    """Between the session's end and the notice across the page."""

    review_wanted = Signal(object)
    """The user wants to see the recording just finished (its path)."""
    ended = Signal()
    """A recording was finished, or failed; it has been told."""

    def __init__(
        self,
        settings: Settings,
        owner: Owner,
        session: LiveSession,
        set_up: SetUp,
        starting: Starting,
        notice: Notice,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._settings, self._owner = settings, owner
        self._session, self._set_up = session, set_up
        self._starting, self._notice = starting, notice
        self.last: Path | None = None
        """What the last drive left: a recording or a journal."""
        session.finished.connect(self._finished)
        session.failed.connect(self._failed)
        session.began_anew.connect(self._forget)
        starting.cleared.connect(self._forget)
        notice.pressed.connect(self._pressed)

    def review_last(self) -> None:
        """Ask for the last recording to be shown, where there is one and nothing is under way."""
        if self.last is not None and not self._session.active:
            self.review_wanted.emit(self.last)

    def recover(self, folder: Path | None = None) -> None:
        """Turn journals that a crash left in the folder (None: that of the recordings) into
        recordings, and say so."""
        if not self._session.active:
            where = self._settings.folder if folder is None else folder
            self._owner.start(RecoverJournals(where), self._recovered, self._notice.trouble)

    def _recovered(self, made: list[Path]) -> None:
        if made:
            self.last = made[-1]
            self._notice.success(
                RecoverJournals(made[-1].parent).outcome(made).sentence, tr("Review it")
            )

    def _finished(self, finished: Finished) -> None:
        self.last = finished.path
        if finished.path is not None:
            self._notice.success(_saved(finished), tr("Review it  Ctrl+Return"))
        self._wind_up()

    def _failed(self, failed: Failed) -> None:
        self.last = failed.path
        saved = tr(" What was recorded is in {path}.", path=failed.path) if failed.path else ""
        orphan = failed.path is not None and failed.path.suffix == _JOURNAL
        button = (
            tr("Go on recording") if orphan else tr("Review it") if failed.path else tr("Try again")
        )
        self._notice.trouble(failed.sentence + saved, button)
        self._wind_up()

    def _wind_up(self) -> None:
        if self.last is not None:
            self._set_up.car.drive_over()
        self.ended.emit()

    def _pressed(self) -> None:
        if self.last is not None and self.last.suffix == _JOURNAL:
            self._starting.start(self.last)
        elif self.last is not None:
            self.review_last()
        else:
            self._starting.again()

    def _forget(self) -> None:
        self.last = None


def _saved(finished: Finished) -> str:
    samples, time = count_text(finished.samples), time_text(finished.elapsed_s)
    if not finished.others:
        return tr(
            "Saved {samples} samples of {time} to {path}",
            samples=samples,
            time=time,
            path=finished.path,
        )
    return tr(
        "Saved {files} recordings of {time} in all, {samples} samples; the last is {path}",
        files=finished.others + 1,
        samples=samples,
        time=time,
        path=finished.path,
    )
