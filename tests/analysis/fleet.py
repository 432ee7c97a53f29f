"""The checks on a simulated fleet: what each fault is taken for, and from which severity on.

    python -m tests.analysis.fleet --cars 300 --faults 4 --jobs 2 --work fleet.jsonl --out docs

Cars of all kinds are drawn from seeds as roads have them, each healthy and with some of the faults
it can have, drawn, too, at several severities; the drives, days, weather and heights are drawn as
well, and are not those the checks were made with. Seeds from `HELD_OUT` on (`--held-out`) are kept
for final figures only. Every outcome becomes a line of the `--work` file: an interrupted run goes
on (delete the file when the car or the checks have changed).
Prints the report of `fleet_report.py` and writes `fleet.md` and `fleet.png` into `--out`.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

from logbench.analysis.causes.catalog import KEYS
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import run_checks
from logbench.simulator.cars import Car
from logbench.simulator.day import draw_day
from logbench.simulator.drawn import draw_car, draw_kind
from logbench.simulator.driver import Phase, Schedule
from logbench.simulator.faults import FAULT_NAMES, possible_faults
from tests.analysis.fleet_report import HEALTHY, Outcome, hidden_because, plot, report
from tests.analysis.simulated import drive_of

FIRST, HELD_OUT = 10_000, 900_000
SEVERITIES = (0.5, 1.0)
FAULTS_EACH = 4
WANTED = (
    *("RPM", "VSS", "ECT", "IAT", "AAT", "BARO", "MAF", "MAP", "TP", "TP_B", "APP_D", "APP_E"),
    *("FUELSYS1", "LOAD_PCT", "LOAD_ABS", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2", "EVAP_PCT"),
    *("VPWR", "SPARKADV", "O2S11", "O2S12", "LAMBDA11_34", "LAMBDA", "FUEL_RATE", "TAC_PCT"),
    # of diesels, charged engines, hybrids and fuel with ethanol, where the car offers them
    *("EGR_PCT", "EGR_ERR", "EGR_A_CMD", "EGR_A_ACT", "FRP_23", "FRP_A_CMD", "FRP_A"),
    *("BP_A_CMD", "BP_A_ACT", "VGT_A_CMD", "VGT_A_ACT", "WG_A_CMD", "WG_A_ACT", "IAF_A_CMD"),
    *("TCA_CINT", "TCA_COUTT", "CACT11", "EGT11", "EGT12", "EGT13", "EGT14", "DPF1_DP", "DPF1_INT"),
    *("DPF1_OUTT", "DPF_REGEN", "TQ_ACT", "ALCH_PCT", "BAT_PWR", "CATEMP11"),
)
RATES_HZ = {"VPWR": 10.0, "O2S11": 10.0, "O2S12": 5.0, "LAMBDA11_34": 10.0}
COOLED_DEGC = 18.0
"""Above, the air conditioning of a healthy car is on, and its compressor comes and goes: that must
be taken for no fault. Faults are looked for with it off, as the program asks for."""
ORDER = ("cold_soak", "charging", "fuel_trim", "warm_up", "airflow", "oxygen_sensors", "idle")
"""Which finding leads where several say the same: the more particular check first."""


def car_of(seed: int) -> Car:
    """The car of a seed, of the kind that the road has there."""
    return draw_car(seed, draw_kind(seed))


Task = tuple[int, str, float]
"""Seed, fault ('' for none) and severity of a drive."""


def fleet_schedule(seed: int) -> Schedule:
    """A drive drawn from a seed: cold start, town and country in any order, the useful parts of a
    test drive somewhere in it; about twelve minutes."""
    rng = random.Random(f"fleet {seed}")
    parts = [
        Phase("town", "cruise", rng.uniform(40, 90), rng.uniform(32, 55)),
        Phase("country", "cruise", rng.uniform(80, 150), rng.uniform(65, 90)),
        Phase("motorway", "cruise", rng.uniform(80, 140), rng.uniform(100, 120)),
        Phase("hill", "cruise", rng.uniform(45, 80), rng.uniform(60, 85), rng.uniform(0.04, 0.06)),
    ]
    rng.shuffle(parts)
    stop = Phase("stop", "stop", 40)
    idle = Phase("idle", "idle", rng.uniform(55, 90))
    hold = Phase("hold", "hold", rng.uniform(30, 50), rng.uniform(2300, 2700))
    return Schedule(
        "fleet",
        (
            Phase("key on", "key on", rng.uniform(4, 8)),
            Phase("cranking", "crank", 6),
            Phase("idle", "idle", rng.uniform(10, 40)),
            Phase("away", "cruise", rng.uniform(120, 180), rng.uniform(50, 75)),
            *parts[:2],
            stop,
            idle,
            *((hold,) if rng.random() < 0.7 else ()),
            *parts[2:],
            Phase("slow down", "cruise", 20, 38),
            *((Phase("pull", "pull", 20, 0.9), Phase("coast", "coast", 40, 30))),
            Phase("away again", "cruise", 25, rng.uniform(60, 80)),
            Phase("coast again", "coast", 30, 30),
            stop,
            Phase("last idle", "idle", rng.uniform(30, 50)),
        ),
    )


def drive_one(task: Task) -> Outcome:
    """One drive and its findings."""
    seed, fault, severity = task
    rng = random.Random(f"weather {seed}")
    stated, ambient_degc = rng.random() < 0.6, rng.uniform(-5.0, 32.0)
    recording = drive_of(
        car_of(seed),
        seed,
        {fault: severity} if fault and severity else {},
        fleet_schedule(seed),
        WANTED,
        RATES_HZ,
        stated=stated,
        ambient_degc=ambient_degc,
        altitude_m=rng.choice((0.0, 0.0, 300.0, 900.0, 1600.0)),
        cooled=not fault and ambient_degc > COOLED_DEGC,
        day=draw_day(seed),
    )
    found = [f for f in run_checks(recording) if f.check != "readiness"]
    severe = max(f.verdict.severity for f in found)
    leading = [f for f in found if f.verdict.severity == severe > 0]
    leading.sort(key=lambda f: (ORDER.index(f.check) if f.check in ORDER else 99, not f.causes))
    return Outcome(
        seed=seed,
        fault=fault or HEALTHY,
        severity=severity,
        worst=("within", "watch", "act")[severe],
        named=any(fault in KEYS.get(text, ()) for f in leading for text in f.causes[:2]),
        first=_first_cause(leading),
        acted=tuple(sorted({f.check for f in found if f.verdict is Verdict.ACT})),
        judged=tuple(sorted({f.check for f in found if f.verdict is not Verdict.NOT_JUDGED})),
        kind=draw_kind(seed),
        hidden=hidden_because(car_of(seed), fault, recording.signals, ambient_degc),
    )


def _first_cause(leading: list[Finding]) -> str:
    texts = [f.causes[0] for f in leading if f.causes]
    if not texts:
        return "other" if leading else "none"
    keys = KEYS.get(texts[0], {"other"})
    return min(keys, key=lambda k: (k not in FAULT_NAMES, k))


def tasks(cars: int, first: int, severities: tuple[float, ...], each: int) -> list[Task]:
    """Every drive of the fleet: each car healthy, and with `each` of its faults at every
    severity."""
    out = []
    for seed in range(first, first + cars):
        able = possible_faults(car_of(seed))
        drawn = random.Random(f"faults {seed}").sample(able, min(each, len(able)))
        out.append((seed, "", 0.0))
        out += [(seed, f, s) for f in drawn for s in severities]
    return out


def read_work(path: Path | None) -> dict[Task, Outcome]:
    """Outcomes of an earlier run by task; a last line cut short by an interruption is dropped."""
    found: dict[Task, Outcome] = {}
    if path is None or not path.exists():
        return found
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        path.write_text("".join(lines[:-1]), encoding="utf-8")
        lines.pop()
    for line in lines:
        row = json.loads(line)
        outcome = Outcome(**{k: tuple(v) if isinstance(v, list) else v for k, v in row.items()})
        fault = "" if outcome.fault == HEALTHY else outcome.fault
        found[outcome.seed, fault, outcome.severity] = outcome
    return found


def run(
    todo: list[Task],
    work: Path | None,
    drives: Callable[[list[Task]], Iterable[Outcome]],
    tell: Callable[[int, float], None] = lambda done, seconds: None,
) -> list[Outcome]:
    """The outcomes of `todo` in its order: those of the `work` file, and the rest by `drives`, each
    added to the file as soon as it is there. `tell` gets how many are new and their seconds."""
    found = read_work(work)
    left = [task for task in todo if task not in found]
    begin = time.monotonic()
    for done, outcome in enumerate(drives(left) if left else (), 1):
        fault = "" if outcome.fault == HEALTHY else outcome.fault
        found[outcome.seed, fault, outcome.severity] = outcome
        if work is not None:
            with work.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(outcome)) + "\n")
        tell(done, time.monotonic() - begin)
    return [found[task] for task in todo]


def in_processes(jobs: int) -> Callable[[list[Task]], Iterable[Outcome]]:
    """Drives in `jobs` processes, in the order in which they end; in this one if it is one."""

    def drives(left: list[Task]) -> Iterable[Outcome]:
        if jobs == 1:
            yield from map(drive_one, left)
            return
        with ProcessPoolExecutor(jobs) as pool:
            for future in as_completed([pool.submit(drive_one, task) for task in left]):
                yield future.result()

    return drives


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cars", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--faults", type=int, default=FAULTS_EACH, help="of each car")
    parser.add_argument("--severities", default=",".join(map(str, SEVERITIES)))
    parser.add_argument("--first", type=int, default=FIRST, help="first seed")
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--work", type=Path, default=None, help="outcomes as JSON lines")
    parser.add_argument("--out", type=Path, default=None)
    given = parser.parse_args()
    severities = tuple(float(s) for s in given.severities.split(",") if s)
    todo = tasks(given.cars, HELD_OUT if given.held_out else given.first, severities, given.faults)
    ready = len(set(todo) & set(read_work(given.work)))
    print(f"{len(todo)} drives, {ready} of them done before", flush=True)

    def tell(done: int, seconds: float) -> None:
        left = len(todo) - ready - done
        if done % 50 == 0 or left == 0:
            more = (
                f"{seconds / done:.2f} s a drive, about {left * seconds / done / 60:.0f} min left"
            )
            print(f"{ready + done} of {len(todo)} drives in {seconds:.0f} s: {more}", flush=True)

    outcomes = run(todo, given.work, in_processes(given.jobs), tell)
    held = " --held-out" if given.held_out else f" --first {given.first}"
    text = report(
        outcomes,
        f"python -m tests.analysis.fleet --cars {given.cars} --faults {given.faults}"
        f" --severities {given.severities}{held} --work fleet.jsonl --out docs",
    )
    print(text)
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "fleet.md").write_text(text, encoding="utf-8")
        plot(outcomes, given.out / "fleet.png")


if __name__ == "__main__":
    main()
