"""The user's known cars in one file, and the same-car check that every door between cars asks."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from logbench.car.identity import Identity, Match, Meeting
from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.car.peer import peer_of
from logbench.cases.work import Deed, Work
from logbench.errors import AnotherCarError, LogbenchError, StorageError
from logbench.recording.model import PEER
from logbench.recording.storage import read_own, storage_trouble, write_whole
from logbench.system.limits import CARS_BYTES
from logbench.system.platforms import data_home
from logbench.system.private import FILE_MODE, make_folder
from logbench.system.reading import json_of

CARS_FILE = "cars.json"
_WAIT_S = 5.0


@dataclass(frozen=True)
class CarsFile:
    """Known cars as they are on disk: for nobody else to read, written whole, one that cannot be
    read is set aside."""

    file: Path | None = None
    """None: in the user's data folder."""

    @property
    def path(self) -> Path:
        """Where it is."""
        return self.file or data_home() / CARS_FILE

    def load(self) -> KnownCars:
        """Those of the file; none where there is no file, or it cannot be read."""
        found = read_own(
            self.path, CARS_BYTES, lambda data: KnownCars.model_validate(json_of(data))
        )
        return found if found is not None else KnownCars()

    def change(self, change: Callable[[KnownCars], object]) -> None:
        """Change them, with nobody else doing so in between. Raises StorageError."""
        from filelock import FileLock  # takes time, and whoever opens the window needs it not yet

        path = self.path
        with storage_trouble(path):
            make_folder(path.parent)
            with FileLock(path.with_suffix(".lock"), timeout=_WAIT_S, mode=FILE_MODE):
                known = self.load()
                change(known)
                write_whole(path, known.model_dump_json(exclude_defaults=True).encode())


def let_through(
    cars: CarsFile, car: Car, there: Identity, what: str, *, same_car: bool = False
) -> Meeting:
    """Let `what` (of `there`) come to this car. Raises AnotherCarError where it is of another one,
    unless `same_car` says that it is not, which is remembered."""
    meeting = cars.load().judge_car(car, there)
    if meeting.match is not Match.OTHER:
        return meeting
    here = car.identified
    if not same_car:
        raise AnotherCarError(f"{what}: {meeting.sentence}", ((here, there),))
    cars.change(lambda known: known.answer(here, there, same=True))
    return replace(meeting, match=Match.SAME, answered=True)


def keep_car(car: Car, job: str = "", cars: CarsFile | None = None, *, whole: bool = False) -> None:
    """Keep what is known of a car, and the job it is in; a disk that refuses costs that only.
    `whole`: as `KnownCars.remember`."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    if car.identified.key:
        with contextlib.suppress(StorageError):
            (cars or CarsFile()).change(lambda known: known.remember(car, now, job, whole=whole))


def learn_from_drive(path: Path, cars: CarsFile | None = None) -> None:
    """Keep with its car what a finished recording teaches of it; one that cannot be read, or a disk
    that refuses, costs that only."""
    from logbench.analysis.learned import learn_from
    from logbench.recording.reader import open_recording

    with contextlib.suppress(LogbenchError):
        recording = open_recording(path)
        identity, found = recording.facts.identity, learn_from(recording)
        peer = peer_of(recording.facts.extra.get(PEER))
        if identity.key and (found != Car() or peer is not None):
            (cars or CarsFile()).change(lambda known: known.learn(identity, found, peer))


@dataclass(frozen=True)
class _ChangesCars(Deed[None]):
    cars: CarsFile = field(default_factory=CarsFile)


@dataclass(frozen=True)
class AnswerCars(_ChangesCars):
    """A person said whether two identities are one car. Raises StorageError."""

    pairs: tuple[tuple[Identity, Identity], ...] = ()
    same: bool = False

    def run(self, work: Work) -> None:
        """Remember it."""

        def answer(known: KnownCars) -> None:
            for here, there in self.pairs:
                known.answer(here, there, self.same)

        self.cars.change(answer)


@dataclass(frozen=True)
class LearnFromDrive(_ChangesCars):
    """A drive is finished."""

    path: Path = Path()

    def run(self, work: Work) -> None:
        """Keep what it teaches of its car."""
        learn_from_drive(self.path, self.cars)


@dataclass(frozen=True)
class RememberCar(_ChangesCars):
    """A car was met, perhaps in a job."""

    car: Car = field(default_factory=Car)
    job: str = ""
    whole: bool = False

    def run(self, work: Work) -> None:
        """Keep what is known of it."""
        keep_car(self.car, self.job, self.cars, whole=self.whole)
