"""Which car a drive is of: what is known of it comes back, and the job that it goes into."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QWidget

from logbench.app.details import ask_same_car
from logbench.app.live.car_box import CarBox
from logbench.app.live.session import LiveSession
from logbench.app.live.watching import DriveWatcher
from logbench.app.notice import Notice
from logbench.app.services import Services
from logbench.capture.messages import CarFound, Finished
from logbench.car.identity import Identity, Match
from logbench.car.model import Car
from logbench.cases.cars import AnswerCars, CarsFile, LearnFromDrive, RememberCar
from logbench.errors import AnotherCarError, LogbenchError, UsageError
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.cases.runner import Running
    from logbench.job.model import Role
    from logbench.job.store import HeldJob


@dataclass(frozen=True)
class Proposed:
    """A job that a drive may go into."""

    folder: Path
    title: str


class CarMet(QObject):
    """Between the car that answers, those known, and the jobs they are in."""

    def __init__(
        self,
        services: Services,
        session: LiveSession,
        box: CarBox,
        watcher: DriveWatcher,
        notice: Notice,
        page: QWidget,
    ) -> None:
        super().__init__(page)
        self._services, self._session, self._box = services, session, box
        self._watcher, self._notice, self._page = watcher, notice, page
        self._owner = services.runner.owner()
        self._owner.another_car = self._ask
        self.same_car = ask_same_car
        """Asks whether it is; tests put their own answer here."""
        self._cars = CarsFile()
        self._open: HeldJob | None = None
        self._stated = Car()
        """What was stated of another car than the one that answers."""
        self._found_identity = Identity()
        self.job: Proposed | None = None
        """The open job where it is of this car, else the last one of this car."""
        self._told = False
        """That the next car found is another one than before stands in the notice."""
        session.car_changed.connect(lambda: setattr(self, "_told", True))
        session.car_found.connect(self._found)
        session.finished.connect(self._learn)

    def job_shown(self, held: HeldJob | None) -> None:
        """Another job is open, or none, or it was edited: its car is proposed."""
        self._open = held
        if held is not None and not self._session.active and self._box.untouched:
            self._box.set_vehicle(held.job.vehicle.model_copy(deep=True))
        self._propose_job()

    def add(self, path: Path) -> None:
        """Put a drive into the job that was proposed."""
        if self.job is None:
            return
        from logbench.cases.job import AddFiles

        role: Role = "other"
        case = AddFiles(self._services.job_store, self.job.folder, (path,), role)
        self._owner.do(case, self._notice.say)

    # --- inside ---

    def _propose_job(self) -> None:
        self.job, identity = None, self._found_identity
        known, held = self._cars.load(), self._open
        if held is not None:
            meeting = known.judge_car(held.job.vehicle, identity)
            if meeting.match is not Match.OTHER:
                path = held.folder.path
                self.job = Proposed(path, held.job.title or path.name)
        before = known.met(identity)
        if self.job is None and before is not None and before.last_job:
            from logbench.job.folder import open_job

            try:
                folder, job = open_job(Path(before.last_job))
                self.job = Proposed(folder.path, job.title or folder.path.name)
            except LogbenchError:  # it is gone, or on a disk that is not there
                pass
        self._box.show_job("" if self.job is None else self.job.title)

    def _found(self, found: CarFound) -> None:
        if found.vehicle == Car():
            return
        self._found_identity = found.facts.identity
        try:
            self._stated = self._box.vehicle()
        except UsageError:
            self._stated = Car()
        self._box.set_vehicle(found.vehicle.model_copy(deep=True))
        self._session.vehicle = found.vehicle
        self._propose_job()
        self._owner.start(RememberCar(car=found.vehicle, whole=True))
        told, self._told = self._told, False
        if told:
            return
        if found.instead:
            self._notice.trouble(
                tr("{what} Only what is known of this car is used.", what=found.instead),
                tr("It is the same car"),
                self._same,
            )
        elif found.vehicle.called != found.vehicle.vin and not self._stated.called:
            self._notice.passing(self._welcome(found.vehicle))

    def _learn(self, finished: Finished) -> None:
        """What the drive teaches of its car is kept with it."""
        if finished.path is not None:
            self._owner.start(LearnFromDrive(path=finished.path))

    def _welcome(self, car: Car) -> str:
        if car.identity.known_vin:
            return tr("Known by its VIN: {car}. Its facts are used.", car=car.called)
        return tr(
            "Perhaps {car}: it gives no VIN, and its ECUs are the same. Look at its facts.",
            car=car.called,
        )

    def _same(self) -> None:
        """It is the same car: what was stated goes into the recording, too."""
        self._notice.hide()
        found = self._box.vehicle()
        pair = self._stated.identified, found.identified
        self._owner.start(AnswerCars(pairs=(pair,), same=True))
        known = self._cars.load()
        known.answer(*pair, same=True)
        car = self._stated.model_copy(deep=True)
        car.learn(found)
        self._box.set_vehicle(car)
        self._session.vehicle = car
        self._session.describe(car, known)

    def _ask(self, running: Running, error: AnotherCarError) -> None:
        from logbench.cases.job import settle

        settle(running, error, self.same_car(self._page, str(error)))
