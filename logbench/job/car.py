"""The car of a job: reached by its link, read and cleared with everything kept in the folder.

What comes of it is a scratch `Job` that holds the new entries only, so that the work can be done on
another thread; `bring_over` puts them into the job itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from logbench.car.identity import Identity
from logbench.errors import JobError
from logbench.job.folder import JobFolder
from logbench.job.model import MOST_ENTRIES, Job, JobEvent, Role
from logbench.vehicle.link import Link, silent
from logbench.vehicle.links.schemes import open_link, scheme_name
from logbench.vehicle.model import Progress
from logbench.vehicle.records.clearing import (
    ClearingResult,
    ControlResult,
    Save,
    clear_codes,
    close_evap,
)
from logbench.vehicle.records.model import CarReading
from logbench.words import tr


@contextmanager
def reach_car(url: str, progress: Progress | None = None) -> Iterator[Link]:
    """A connected link; for a `sim:` URL the simulated car runs while the context lasts.

    Raises LinkError.
    """
    tell = progress or silent
    if scheme_name(url) == "sim":
        from logbench.simulator.serve import SimulatedCar

        tell("Starting the simulated car")
        with SimulatedCar(url.strip()) as car, open_link(car.url, tell) as link:
            yield link
        return
    with open_link(url, tell) as link:
        yield link


Let = Callable[[Identity], object]
"""Raises AnotherCarError for a car that is not the job's."""


def clear_into(
    folder: JobFolder,
    scratch: Job,
    link: Link,
    consent: str,
    let: Let,
    progress: Progress | None = None,
) -> ClearingResult:
    """Clear the codes under the guard of `clear_codes`; both readings and the event are kept.

    `scratch` has the reading before even when the clearing is refused after it was made. Raises
    ClearingRefusedError with nothing cleared, LinkError, StorageError, and what `let` raises.
    """
    result = clear_codes(link, consent, _saver(folder, scratch, "before", let), progress)
    event = JobEvent(at_utc=result.done_utc, kind="codes cleared", text=result.sentence)
    if not result.accepted:
        event.kind = "clearing tried"
    scratch.events.append(event)
    if result.after is not None:
        entry = folder.add_reading(scratch, result.after, "other")
        entry.label = "right after clearing"
    return result


def close_evap_into(
    folder: JobFolder,
    scratch: Job,
    link: Link,
    consent: str,
    let: Let,
    progress: Progress | None = None,
) -> ControlResult:
    """Close the evaporative system under the same guard; the reading and the event are kept.

    Raises as `clear_into`.
    """
    result = close_evap(link, consent, _saver(folder, scratch, "other", let), progress)
    scratch.events.append(
        JobEvent(at_utc=result.done_utc, kind="evaporative system closed", text=result.sentence)
    )
    return result


def _saver(folder: JobFolder, scratch: Job, role: Role, let: Let) -> Save:
    def save(reading: CarReading) -> Path:
        let(reading.car.identity)
        return folder.place(folder.add_reading(scratch, reading, role).file)

    return save


_LISTS = ("readings", "events", "recordings", "comparisons", "photos", "files")


def bring_over(job: Job, scratch: Job) -> None:
    """Put the entries of `scratch` behind those of `job`; what was stated of the car stays. Raises
    JobError, with nothing changed, where a list would be too long."""
    longer = {name: [*getattr(job, name), *getattr(scratch, name)] for name in _LISTS}
    if any(len(entries) > MOST_ENTRIES for entries in longer.values()):
        raise JobError(tr("A list of the job holds {most} entries at most.", most=MOST_ENTRIES))
    for name, entries in longer.items():
        setattr(job, name, entries)
    job.vehicle.learn(scratch.vehicle)
