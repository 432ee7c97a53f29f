"""What is said across the page: that nothing comes any more, and how a drive ended."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import QObject, Signal

from logbench.app.live.cars import CarMet
from logbench.app.live.session import LiveSession
from logbench.app.live.setup import SetUp
from logbench.app.live.starting import Starting
from logbench.app.notice import Notice
from logbench.app.tones import Tones
from logbench.capture.messages import BrokeOff, CarChanged, Failed, Finished, Status
from logbench.cases.live import RecoverJournals
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.recording.model import JournalOutcome
from logbench.signals.numbers import count_text, time_text
from logbench.words import tr

_WHY = {
    "lost": tr(
        "The link to the car is lost and is tried again. Once parked, see that the adapter sits"
        " firmly and its lamp is lit."
    ),
    "silent": tr(
        "The car does not answer any more: its key is off, or the plug has lost contact. It is"
        " asked again and again."
    ),
}
_JOURNAL = ".journal"


class LinkWatch(QObject):
    """Says, and by tone, that nothing comes any more in the middle of a drive.

    The notice stays until the link is back, something else is said, or it is closed by hand.

    A silent car is what an unattended run waits for: of that nothing is said.
    """

    warned = Signal(str)
    """What was said."""

    def __init__(self, session: LiveSession, notice: Notice, tones: Tones, parent: QObject) -> None:
        super().__init__(parent)
        self._session, self._notice, self._tones = session, notice, tones
        self._said = ""
        self._away_since_s: float | None = None
        self._why = ""
        session.status.connect(self._told)
        session.began_anew.connect(self._forget)

    def _told(self, status: Status) -> None:
        if self._session.unattended and status.link in ("silent", "waiting"):
            self._forget()
        elif status.link in _WHY:
            self._away(status.link, status.elapsed_s)
        elif status.link == "connected" and self._away_since_s is not None:
            self._back(status.elapsed_s - self._away_since_s)

    def _away(self, why: str, elapsed_s: float) -> None:
        if why == self._why:
            return
        if self._away_since_s is None:
            self._away_since_s = elapsed_s
            self._tones.play("lost")
        self._why = why
        goes_on = tr("The recording goes on.") if self._session.records else ""
        self._notice.trouble(f"{_WHY[why]} {goes_on}".strip())
        self._said = self._notice.text
        self.warned.emit(_WHY[why])

    def _back(self, away_s: float) -> None:
        silent, seconds = self._why == "silent", f"{away_s:.0f}"
        self._forget()
        if silent:
            back = tr("The car answers again after {seconds} s.", seconds=seconds)
        else:
            back = tr("The link is back after {seconds} s.", seconds=seconds)
        self._notice.passing(back)
        self.warned.emit(back)
        self._tones.play("next")

    def _forget(self) -> None:
        """Take back what still stands there."""
        if self._said and self._notice.text == self._said:
            self._notice.hide()
        self._away_since_s = None
        self._why = self._said = ""


class Endings(QObject):
    """How a drive ended, and what can be done about it."""

    review_wanted = Signal(object)
    """The user wants to see the recording just finished (its path)."""
    compare_wanted = Signal(list, list)
    """The user wants to compare recordings (before, after)."""
    ended = Signal()
    """A recording was finished, or failed; it has been told."""

    def __init__(
        self,
        settings: Settings,
        owner: Owner,
        session: LiveSession,
        set_up: SetUp,
        starting: Starting,
        cars: CarMet,
        notice: Notice,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._cars = cars
        self._settings, self._owner = settings, owner
        self._session, self._set_up = session, set_up
        self._starting, self._notice = starting, notice
        self.last: Path | None = None
        """What the last drive left: a recording or a journal."""
        session.finished.connect(self._finished)
        session.failed.connect(self._failed)
        session.troubled.connect(notice.trouble)
        session.car_changed.connect(self._car_changed)
        session.broke_off.connect(self._broke_off)
        session.began_anew.connect(self._forget)
        starting.cleared.connect(self._forget)

    def review_last(self) -> None:
        """Ask for the last recording to be shown, where there is one and nothing is under way."""
        if self.last is not None and not self._session.active:
            self.review_wanted.emit(self.last)

    def recover(self, folder: Path | None = None) -> None:
        """Turn journals that a crash left in the folder (None: that of the recordings) into
        recordings, and say so, journal by journal. Never in the way of a drive."""
        where = self._settings.folder if folder is None else folder
        then = partial(self._recovered, where)
        told = lambda said, _: self._notice.passing(said)  # noqa: E731
        command = RecoverJournals(where, self._settings.second_folder)
        self._owner.start(command, then, self._notice.trouble, told)

    def _recovered(self, folder: Path, found: tuple[JournalOutcome, ...]) -> None:
        made = [one.path for one in found if one.path is not None]
        outcome = RecoverJournals(folder).outcome(found)
        if self._session.active:
            self._notice.passing(outcome.sentence)
        elif made:
            self.last = made[-1]
            self._notice.say(outcome, tr("Review it"), self.review_last)
        elif outcome.sentence:
            self._notice.trouble(outcome.sentence)

    def _finished(self, finished: Finished) -> None:
        self.last = path = finished.path
        job = self._cars.job
        if path is not None:
            compare = partial(self._unless_active, partial(self._compare, path))
            offers: list[tuple[str, Callable[[], object]]] = [
                (tr("Review it  Ctrl+Return"), self.review_last),
                (tr("Compare with the last one of this car"), compare),
            ]
            if job is not None:
                add = partial(self._unless_active, partial(self._cars.add, path))
                offers.insert(0, (tr("Add it to the job {title}", title=job.title), add))
            (button, run), *others = offers
            self._notice.success(_saved(finished), button, run, *others)
        self._wind_up()

    def _compare(self, path: Path) -> None:
        """With the newest earlier recording of the same car, where there is one."""
        from logbench.cases.compare import last_of_this_car  # it brings the comparison

        def found(before: Path | None) -> None:
            if before is not None:
                self.compare_wanted.emit([before], [path])
            else:
                self._notice.trouble(
                    tr(
                        "There is no earlier recording in {folder} that is surely of this car.",
                        folder=path.parent,
                    )
                )

        self._owner.start(last_of_this_car(path), found, self._notice.trouble, slot="last")

    def _failed(self, failed: Failed) -> None:
        self.last = failed.path
        saved = tr(" What was recorded is in {path}.", path=failed.path) if failed.path else ""
        run: Callable[[], object] = self.review_last
        button = tr("Review it")
        if failed.path is None:
            button, run = tr("Try again"), self._starting.again
        elif failed.path.suffix == _JOURNAL:
            button, run = tr("Go on recording"), partial(self._starting.start, failed.path)
        remedy = partial(self._unless_active, run)
        self._notice.trouble(failed.sentence + saved, button, remedy)
        self._wind_up()

    def _car_changed(self, changed: CarChanged) -> None:
        saved = tr("The previous recording is finished: {path}. Another begins.", path=changed.path)
        self._notice.trouble(f"{changed.sentence} {saved}" if changed.path else changed.sentence)
        self._set_up.car.drive_over()

    def _broke_off(self, broke: BrokeOff) -> None:
        self._notice.trouble(broke.sentence)
        if broke.path is not None:
            self.recover(broke.path.parent)

    def _wind_up(self) -> None:
        if self.last is not None:
            self._set_up.car.drive_over()
        self.ended.emit()

    def _unless_active(self, run: Callable[[], object]) -> None:
        if not self._session.active:
            run()

    def _forget(self) -> None:
        self.last = None


def _saved(finished: Finished) -> str:
    return ". ".join(filter(None, [_counted(finished), finished.sentence.rstrip(".")]))


def _counted(finished: Finished) -> str:
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
