"""The two drives of an invented job, before and after a repair, from the simulated car.

The car, its owner and the job are invented; `recordings/README.md` tells the story. The same seeds
give the same samples everywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.car.model import Car
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, LinkFacts, Trace, signal_facts
from logbench.recording.place import check_folder
from logbench.recording.storage import storage_trouble
from logbench.signals.table import table
from logbench.system.private import make_folder
from logbench.system.version import SOFTWARE

if TYPE_CHECKING:
    from logbench.simulator.cars import Car as SimulatedCar
    from logbench.simulator.drive import Drive
    from logbench.simulator.produce import Samples

CAR_NAME = "demo"
FAULT = "unmetered_air"
FAULT_TEXT = "air enters behind the air-flow sensor (a split intake hose)"
CONCERN = "Rough idle and a warning light, on and off, says the owner (invented)."
DEMO_SIGNALS = (
    "RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "FUELSYS1", "TP",
    "VPWR", "BARO", "SPARKADV", "LOAD_ABS",
)  # fmt: skip


@dataclass(frozen=True)
class DemoDrive:
    """How one of the two is made."""

    severity: float
    """Of the fault, 0 to 1."""
    ambient_degc: float
    seed: int
    started_utc: str
    note: str


DEMO_DRIVES = {
    "before": DemoDrive(0.8, 14.0, 11, "2026-05-04T07:40:00+00:00", CONCERN),
    "after": DemoDrive(
        0.0, 19.0, 12, "2026-05-06T15:05:00+00:00", "After the intake hose was renewed (invented)."
    ),
}


def demo_vehicle() -> Car:
    """Facts of the invented car as its owner's papers give them."""
    from logbench.simulator.cars import named_car

    return papers_of(named_car(CAR_NAME))


def papers_of(car: SimulatedCar) -> Car:
    """Facts of a simulated car as papers and plate would give them."""
    return Car(
        label=car.label,
        vin=car.vin,
        displacement_l=car.displacement_l,
        cylinders=car.cylinders,
        regulating_temp_degc=car.regulating_degc,
    )


def held_demo(
    name: str, folder: Path, progress: Callable[[float, str], None] | None = None
) -> Path:
    """The drive `before` or `after` as `NAME.parquet` in a folder, driven and made there if it is
    not, which takes some seconds; `progress` receives the share done and the phase of the drive.
    Raises `StorageError`."""
    path = folder / f"{name}.parquet"
    if path.exists():
        return path
    with storage_trouble(folder):
        make_folder(folder)
    from logbench.simulator.cars import named_car
    from logbench.simulator.day import STANDARD
    from logbench.simulator.drive import Drive
    from logbench.simulator.driver import schedule
    from logbench.simulator.faults import Faults
    from logbench.simulator.produce import produce

    check_folder(folder)
    how, route = DEMO_DRIVES[name], schedule("test-drive")

    def report(done_s: float, phase: str) -> None:
        if progress is not None:
            progress(done_s / route.duration_s, phase)

    drive = Drive(
        named_car(CAR_NAME),
        Faults({FAULT: how.severity} if how.severity else {}),
        route,
        ambient_degc=how.ambient_degc,
        seed=how.seed,
        day=STANDARD,  # the story is about the hose
        learned=how.severity > 0.0,  # the codes were cleared after the repair, the trims with them
    )
    samples = produce(drive, DEMO_SIGNALS, seed=how.seed, progress=report)
    return record_simulated(path, drive, samples, how.started_utc, how.note)


def record_simulated(
    path: Path,
    drive: Drive,
    samples: dict[tuple[str, str], Samples],
    started_utc: str,
    note: str = "",
    events: Collection[Event] = (),
    *,
    vehicle: Car | None = None,
    url: str = "sim:",
) -> Path:
    """Write what a simulated drive gave, with the facts of its car, of the invented one unless
    told. Returns the name of the file, see `write_recording`. Raises `StorageError`."""
    traces = [
        Trace(signal, ecu, table().by_acronym(signal).unit, t_ns, values)
        for (signal, ecu), (t_ns, values) in samples.items()
    ]
    facts = Facts(
        started_utc=started_utc,
        software=SOFTWARE,
        vehicle=vehicle or demo_vehicle(),
        link=LinkFacts(url=url, adapter="none, computed", protocol="none", simulated=True),
        signals=signal_facts(trace.signal for trace in traces),
        ecus={ecu: drive.names[ecu] for ecu in drive.ecus},
        events=list(events),
        note=note,
    )
    return write_recording(path, traces, facts)
