"""How much faster than real time the simulated car drives.

Run it by hand: `python tests/benchmarks/bench_simulator.py`. Prints, for each car, the ratio of
simulated time to processor time of the physics alone and of a drive turned into samples, and what
one hour of drive costs. Seeded; the schedule is the WLTC twice over (an hour).
"""

from __future__ import annotations

import time
from dataclasses import replace

from logbench.simulator.cars import CAR_NAMES, named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Schedule, schedule
from logbench.simulator.produce import produce


def hour() -> Schedule:
    """The WLTC twice, without the key off in between."""
    once = schedule("wltc")
    trace = next(p for p in once.phases if p.kind == "trace")
    again = replace(trace, name="WLTC class 3b again")
    return Schedule("hour", (*once.phases[:4], again, *once.phases[4:]))


def main() -> None:
    """Measure and print."""
    print(f"{'car':14s} {'simulated s':>11s} {'physics':>10s} {'s/hour':>7s} {'samples':>10s}"
          f" {'s/hour':>7s}")  # fmt: skip
    for name in CAR_NAMES:
        drive = Drive(named_car(name), None, hour(), seed=1)
        begin = time.process_time()
        while not drive.done:
            drive.advance(drive.t_s + 10.0)
        physics_s = time.process_time() - begin
        simulated_s = drive.t_s
        drive = Drive(named_car(name), None, hour(), seed=1)
        begin = time.process_time()
        produce(drive, seed=1)
        samples_s = time.process_time() - begin
        print(
            f"{name:14s} {simulated_s:11.0f} {simulated_s / physics_s:9.0f}x"
            f" {3600 * physics_s / simulated_s:7.2f} {simulated_s / samples_s:9.0f}x"
            f" {3600 * samples_s / simulated_s:7.2f}"
        )


if __name__ == "__main__":
    main()
