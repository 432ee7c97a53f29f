"""A simulated drive straight to a finished file, far faster than real time."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import UTC, datetime
from pathlib import Path

from logbench.car.model import Car
from logbench.recording.finish import check_folder, write_recording
from logbench.recording.model import Event, Facts, LinkFacts, Trace, iso_utc, signal_facts
from logbench.signals.table import table
from logbench.simulator.drive import Drive
from logbench.simulator.produce import produce
from logbench.system.version import SOFTWARE


def record_simulated(
    path: Path,
    drive: Drive,
    signals: Collection[str] | None = None,
    rates_hz: Mapping[str, float] | None = None,
    *,
    seed: int = 0,
    round_trip_s: float = 0.012,
    for_s: float | None = None,
    vehicle: Car | None = None,
    note: str = "",
    events: Collection[Event] = (),
    started_utc: str = "",
    progress: Callable[[float, str], None] | None = None,
) -> Path:
    """Drive to the end of the schedule, or for `for_s` seconds, and write the recording.

    `signals`, `rates_hz`, `seed`, `round_trip_s` and `progress` as in `simulator.produce.produce`.
    `vehicle` None: the facts of the simulated car. `started_utc` ``: now. Returns the name of the
    file, see `write_recording`. Raises `SignalUnknownError`, `SignalUnsupportedError`,
    `StorageError`.
    """
    path = Path(path)
    check_folder(path.parent)
    samples = produce(
        drive,
        signals,
        rates_hz,
        seed=seed,
        round_trip_s=round_trip_s,
        for_s=for_s,
        progress=progress,
    )
    traces = [
        Trace(signal, ecu, table().by_acronym(signal).unit, t_ns, values)
        for (signal, ecu), (t_ns, values) in samples.items()
    ]
    facts = Facts(
        started_utc=started_utc or iso_utc(datetime.now(UTC)),
        software=SOFTWARE,
        vehicle=vehicle or vehicle_of(drive),
        link=LinkFacts(url="sim:", adapter="none, computed", protocol="none", simulated=True),
        signals=signal_facts(trace.signal for trace in traces),
        ecus={ecu: drive.names[ecu] for ecu in drive.ecus},
        events=list(events),
        note=note,
    )
    return write_recording(path, traces, facts)


def vehicle_of(drive: Drive) -> Car:
    """What the papers of the simulated car would say; not its faults."""
    car = drive.car
    return Car(
        label=car.label,
        vin=drive.vin,
        displacement_l=car.displacement_l,
        cylinders=car.cylinders,
        turbo=car.turbo,
        fuel="petrol",
        regulating_temp_degc=car.regulating_degc,
    )
