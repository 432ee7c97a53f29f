"""All checks on a one-hour recording of 20 signals at 10 Hz, against reading the same as one table.

Run it by hand: `python tests/benchmarks/bench_checks.py`. Prints the seconds of all checks together
(the goal is 0.3 s on two cores), of each check, and as a yardstick of the machine the ratio to one
pass of pandas that puts the same samples on a common clock. Then the causes of what they found
(the goal is 0.2 s), and the next tests.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from logbench.analysis.bands import load_bands
from logbench.analysis.causes.inference import explain
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.run import all_checks, run_checks
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.faults import Faults
from logbench.simulator.produce import produce

SIGNALS = (
    *("RPM", "VSS", "ECT", "IAT", "BARO", "MAF", "MAP", "TP", "APP_D", "FUELSYS1", "LOAD_PCT"),
    *("LOAD_ABS", "SHRTFT1", "LONGFT1", "EVAP_PCT", "VPWR", "SPARKADV", "O2S12", "LAMBDA"),
    "LAMBDA11_34",
)


def an_hour(fault: float = 0.0, seed: int = 3) -> Recording:
    """Two WLTC cycles end to end, every signal at 10 Hz; `fault`: severity of `unmetered_air`."""
    faults = Faults({"unmetered_air": fault} if fault else {})
    drive = Drive(named_car("demo"), faults, schedule("wltc"), seed=seed)
    samples = produce(drive, SIGNALS, dict.fromkeys(SIGNALS, 10.0), seed=1)
    traces = [
        Trace(s, ecu, "", np.concatenate([t, t + t[-1] + 10**8]), np.concatenate([v, v]))
        for (s, ecu), (t, v) in samples.items()
    ]
    return Recording.of(traces, Facts(vehicle=Car(displacement_l=2.3)))


def best(call, times: int = 7) -> float:
    """Shortest of some runs in seconds."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        took.append(time.perf_counter() - start)
    return min(took)


def one_table(recording: Recording) -> pd.DataFrame:
    """All samples on a common clock."""
    traces = [recording.trace(*key) for key in recording.keys]
    return pd.concat([pd.Series(t.value, index=t.t_ns) for t in traces], axis=1)


def main() -> None:
    recording = an_hour()
    samples = sum(len(recording.trace(*key)) for key in recording.keys)
    hours = recording.duration_ns / 3.6e12
    print(f"{hours:.2f} h, {len(recording.keys)} signals, {samples} samples")
    bands = load_bands()
    everything = best(lambda: run_checks(recording, bands))
    table = best(lambda: one_table(recording), 3)
    print(f"all checks: {everything:.3f} s, {everything / table:.2f} of one pandas pass")
    for module in all_checks():
        seconds = best(lambda m=module: m.check(View(recording), bands), 3)
        print(f"  {module.KEY:<16} {seconds * 1e3:6.1f} ms on its own")
    view = View(recording)
    findings = run_checks(view, bands)
    weighed = best(lambda: explain(findings, view.engine))
    causes = explain(findings, view.engine)
    proposed = best(lambda: next_tests(causes, view.engine))
    print(f"causes of it: {weighed:.3f} s, {weighed / everything:.2f} of all checks (goal 0.2 s);")
    print(f"next tests: {proposed:.3f} s")


if __name__ == "__main__":
    main()
