"""Polling twelve signals: ours, python-OBD's asynchronous loop, and the bound of the timing model.

    python tests/benchmarks/bench_polling.py [--seconds 6] [--only usb]

All on the same simulated adapter (a process of its own, over a real socket) in one run; what counts
are the ratios. A busy machine slows everything: the best second is given beside the mean.
"""

from __future__ import annotations

import argparse
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import obd

from tests.still import StillCar

sys.path.insert(0, str(Path(__file__).parents[2]))  # for `tests`

from logbench.signals.table import table
from logbench.simulator.canbus import CanCar
from logbench.simulator.options import parse_sim_url
from logbench.simulator.protocols import PROTOCOLS
from logbench.simulator.serve import SimulatedCar
from logbench.simulator.timing import Timing
from logbench.simulator.wires import PythonCanWire
from logbench.vehicle.discovery import discover
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.poller import Poller
from tests.bounds import bound_samples_per_s
from tests.serving import serve_can

TWELVE = (
    *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT"),
    *("SHRTFT1", "LONGFT1", "TP", "SPARKADV", "VPWR"),
)
FAST = ("RPM", "MAF", "MAP", "TP")
THEIRS = (
    *("RPM", "SPEED", "COOLANT_TEMP", "INTAKE_TEMP", "MAF", "INTAKE_PRESSURE", "ENGINE_LOAD"),
    *("SHORT_FUEL_TRIM_1", "LONG_FUEL_TRIM_1", "THROTTLE_POS", "TIMING_ADVANCE"),
    "CONTROL_MODULE_VOLTAGE",
)
LINKS = {
    "plain": ("115,200 baud", "latency_ms=8"),
    "usb": ("USB-like: 115,200 baud, 1 ms each way", "latency_ms=8&delay_ms=1"),
    "radio": ("Bluetooth-like: 20 ms each way", "latency_ms=8&delay_ms=20"),
}
PIDS = [table().by_acronym(signal).pid for signal in TWELVE]
CAN_TIMING = Timing(latency_ms=5)
LEARNING_S = 2.0
"""Not measured: the poller tries what each request costs."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Samples a second: over the whole time, and in the best second."""

    mean: float
    best: float


def counted(count: Callable[[], int], seconds: float) -> Rate:
    """Run `count` (which gives the samples since its last call) for `seconds`, after one more."""
    end = time.monotonic() + 1.0
    while time.monotonic() < end:
        count()
    windows = []
    for _ in range(max(1, round(seconds))):
        start, samples = time.monotonic(), 0
        while time.monotonic() < start + 1.0:
            samples += count()
        windows.append((samples, time.monotonic() - start))
    total = sum(samples for samples, _ in windows)
    return Rate(
        total / sum(spent for _, spent in windows),
        max(samples / spent for samples, spent in windows),
    )


def ours(link: Link, rates: dict[str, float], seconds: float) -> tuple[Rate, dict[str, float]]:
    """Our poller on a link; also the rate of each signal over all of the time."""
    seen: Counter[str] = Counter()

    def count() -> int:
        readings = poller.step()
        seen.update(reading.signal for reading in readings)
        return len(readings)

    with closing(link):
        link.connect()
        poller = Poller(link, discover(link), TWELVE, rates)
        start = time.monotonic()
        while time.monotonic() < start + LEARNING_S:
            poller.step()
        start = time.monotonic()
        rate = counted(count, seconds)
        spent = time.monotonic() - start
    return rate, {signal: seen[signal] / spent for signal in TWELVE}


def theirs(place: str, delay_s: float | None, seconds: float) -> Rate:
    """python-OBD's asynchronous loop; `delay_s` is its pause after each round, None its default."""
    more = {} if delay_s is None else {"delay_cmds": delay_s}
    connection = obd.Async(f"socket://{place}", baudrate=115_200, timeout=2, **more)
    got = [0]

    def take(response: obd.OBDResponse) -> None:
        got[0] += not response.is_null()

    for name in THEIRS:
        connection.watch(obd.commands[name], callback=take)
    connection.start()

    def count() -> int:
        time.sleep(0.05)
        new, got[0] = got[0], 0
        return new

    try:
        return counted(count, seconds)
    finally:
        connection.close()


def show(title: str, rate: Rate) -> None:
    """One line of the table."""
    print(f"  {title:26}  {rate.mean:7.1f} samples/s  (best second {rate.best:.1f})")


def share(rate: Rate, bound: float) -> str:
    """A rate as a share of the bound."""
    return f"{rate.mean / bound:7.3f}  (best second {rate.best / bound:.3f})"


def bench_link(name: str, seconds: float) -> None:
    """One kind of link, all loops."""
    title, options = LINKS[name]
    equal = dict.fromkeys(TWELVE, 10.0)
    mixed = {signal: 10.0 if signal in FAST else 0.5 for signal in TWELVE}
    with SimulatedCar(f"sim:?car=still&{options}") as car:
        place = car.url.removeprefix("tcp://")
        default = theirs(place, None, seconds)
        tuned = theirs(place, 0.0, seconds)
        start = time.monotonic()
        with closing(open_link(car.url)) as link:
            link.connect()
            poller = Poller(link, discover(link, whole=False), TWELVE, equal)
            while not poller.step():
                pass
            first_s = time.monotonic() - start
        all_equal, at_equal = ours(open_link(car.url), equal, seconds)
        _, at_mixed = ours(open_link(car.url), mixed, seconds)
        bound = bound_samples_per_s(PIDS, parse_sim_url(f"sim:?{options}").timing, PROTOCOLS["6"])
    print(f"\n{title}: twelve signals")
    show("python-OBD, default", default)
    show("python-OBD, delay off", tuned)
    show("ours", all_equal)
    print(f"  bound of the timing model   {bound:7.1f} samples/s")
    print(f"  ours / default              {all_equal.mean / default.mean:7.1f}")
    print(f"  ours / delay off            {all_equal.mean / tuned.mean:7.2f}")
    print(f"  ours / bound                {share(all_equal, bound)}")
    gain = min(at_mixed[signal] / at_equal[signal] for signal in FAST)
    print(f"  fast signals, mixed / equal rates: at least {gain:.2f}")
    print(f"  from start to the first sample: {first_s:.2f} s")


def bench_can(seconds: float) -> None:
    """The native CAN link against the bound of its own timing model.

    On python-can's virtual bus, whose two ends must share a process: the simulated ECUs' thread
    costs the link some of its time.
    """
    wire = PythonCanWire("virtual", "bench-polling")
    with serve_can(CanCar(StillCar(), CAN_TIMING), wire) as url:
        rate, _ = ours(open_link(url), dict.fromkeys(TWELVE, 10.0), seconds)
    bound = bound_samples_per_s(PIDS, CAN_TIMING, PROTOCOLS["6"], native=True)
    print("\nNative CAN, 500 kbit/s, ECU 5 ms: twelve signals")
    show("ours", rate)
    print(f"  bound of the timing model   {bound:7.1f} samples/s")
    print(f"  ours / bound                {share(rate, bound)}")


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=6.0, help="measured time of each loop")
    parser.add_argument("--only", choices=[*LINKS, "can"], help="one kind of link")
    arguments = parser.parse_args()
    socket.setdefaulttimeout(10)
    for name in LINKS:
        if arguments.only in (None, name):
            bench_link(name, arguments.seconds)
    if arguments.only in (None, "can"):
        bench_can(arguments.seconds)


if __name__ == "__main__":
    main()
