"""Makes a large archive fast: a few simulated ten-minute drives, copied with varied facts.

    python tests/benchmarks/make_archive.py FOLDER [--count 10000] [--drives 12] [--seconds 600]
        [--cars 400]

Each copy is a whole recording of its own (written by `write_recording`): another car, date, note
and id, and a small offset in a few signals, so that checksums and medians differ. Prints how long
it took and how large the folder is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from logbench.car.model import Car
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, LinkFacts, Trace, signal_facts
from logbench.signals.table import table
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.faults import Faults, possible_faults
from logbench.simulator.produce import produce

SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "TP", "VPWR",
           "FUELSYS1")  # fmt: skip
SHIFT = {"SHRTFT1": 0.78125, "VPWR": 0.02, "ECT": 1.0}
"""Step by which a copy's values may differ from the drive it is made from, one way or the other."""
CARS = 400
START = datetime(2024, 1, 1, 8, tzinfo=UTC)


def base_drives(count: int, seconds: float) -> list[tuple[Car, list[Trace]]]:
    """Simulated drives of different cars with air-flow sensors, every second one with a fault."""
    made: list[tuple[Car, list[Trace]]] = []
    seed = 0
    while len(made) < count:
        seed += 1
        car = draw_car(seed)
        if not car.has_maf or not car.has_map:
            continue
        names = possible_faults(car)
        fault = {names[seed % len(names)]: 1.0} if len(made) % 2 else {}
        drive = Drive(car, Faults(fault), schedule("test-drive"), seed=seed)
        samples = produce(drive, SIGNALS, seed=seed, for_s=seconds)
        traces = [
            Trace(signal, ecu, table().by_acronym(signal).unit, t_ns, value)
            for (signal, ecu), (t_ns, value) in samples.items()
        ]
        vehicle = Car(
            label=car.label,
            vin=car.vin,
            displacement_l=car.displacement_l,
            cylinders=car.cylinders,
            turbo=car.turbo,
            fuel="gasoline",
            regulating_temp_degc=car.regulating_degc,
        )
        made.append((vehicle, traces))
    return made


def copies(
    drives: list[tuple[Car, list[Trace]]], count: int, cars: int
) -> Iterator[tuple[str, list[Trace], Facts]]:
    """(name, traces, facts) of each recording."""
    rng = np.random.default_rng(1)
    for number in range(count):
        vehicle, traces = drives[number % len(drives)]
        car = int(rng.integers(cars))
        own = [_shifted(trace, int(rng.integers(-2, 3))) for trace in traces]
        started = START + timedelta(hours=2.1 * number)
        facts = Facts(
            started_utc=started.isoformat(),
            software="make_archive",
            vehicle=vehicle.model_copy(update={"label": f"car {car:03d}", "vin": ""}),
            link=LinkFacts(url="sim:", simulated=True, protocol="none"),
            signals=signal_facts(trace.signal for trace in own),
            note="stalls when warm" if number % 50 == 0 else f"drive {number}",
            events=[Event(t_ns=10**9, kind="marker", text="hesitates")] if number % 7 == 0 else [],
        )
        yield f"car-{car:03d}/drive-{number:06d}.parquet", own, facts


def _shifted(trace: Trace, steps: int) -> Trace:
    step = SHIFT.get(trace.signal)
    if step is None:
        return trace
    value = trace.value + steps * step
    return Trace(trace.signal, trace.ecu, trace.unit, trace.t_ns, value)


def make_archive(
    folder: Path, count: int, drives: int = 12, seconds: float = 600.0, cars: int = CARS
) -> int:
    """Write `count` recordings below `folder`; returns their size in bytes."""
    size = 0
    for name, traces, facts in copies(base_drives(drives, seconds), count, cars):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        size += write_recording(path, traces, facts).stat().st_size
    return size


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--drives", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--cars", type=int, default=CARS)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    size = make_archive(chosen.folder, chosen.count, chosen.drives, chosen.seconds, chosen.cars)
    took = time.perf_counter() - begun
    print(f"{chosen.count} recordings, {size / 1e6:.0f} MB, in {took:.0f} s")


if __name__ == "__main__":
    main()
