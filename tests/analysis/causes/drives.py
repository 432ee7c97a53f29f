"""Simulated drives with a known cause, and what the checks make of each: the material of `learn`
and `proof`.

    python -m tests.analysis.causes.drives --first 20000 --cars 1500 --work drives.jsonl

Each seed is one car of a kind with, drawn, nothing, one fault or two. Which one: that of those the
car can have whose own draw is least, so that a fault which the simulator learns later changes
only the drives that it wins. Every drive becomes a line of the work file: an interrupted run goes
on, and a drive whose faults are drawn otherwise by now is driven anew.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.engine import Trait
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.simulator.day import draw_day
from logbench.simulator.diagnosis import ENGINE
from logbench.simulator.drive import Drive
from logbench.simulator.faults import possible_faults
from logbench.vehicle.records.model import CarReading, Code, FreezeFrame, FrozenValue
from logbench.vehicle.records.monitors import result_of_nine
from tests.analysis.fleet import COOLED_DEGC, RATES_HZ, WANTED, car_of, fleet_schedule
from tests.analysis.fleet_report import hidden_because
from tests.analysis.simulated import recorded

SEVERITIES = (0.5, 0.75, 1.0)
HEALTHY_SHARE = 0.2
FRAME = ("RPM", "VSS", "LOAD_PCT", "ECT", "MAP", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2")
"""Signals of a freeze frame that are kept."""
KEPT = ("check", "subject", "value", "uncertainty", "of_car", "unit", "causes")


@dataclass(frozen=True, slots=True)
class Case:
    """A drive to be driven: its seed, the faults with their severities, the kind of the car."""

    seed: int
    faults: tuple[tuple[str, float], ...]
    kind: str


@dataclass(frozen=True, slots=True)
class Row:
    """What came of a case: traits of the engine with their probabilities, the findings as plain
    rows; what the engine computer tells at the end: codes stored or pending, results of its
    monitors (nine bytes each, in hex), what it kept when the first code came. `hidden`: why the
    fault cannot show in what this car offers, known from car and weather alone."""

    case: Case
    traits: dict[str, float]
    findings: tuple[dict[str, object], ...]
    codes: tuple[str, ...]
    results: tuple[str, ...]
    frame: dict[str, float]
    hidden: str

    @property
    def as_findings(self) -> list[Finding]:
        """The findings with as much as the model reads."""
        return [finding_of(row) for row in self.findings]

    @property
    def reading(self) -> CarReading:
        """What a reading of the car says after the drive."""
        values = [FrozenValue(signal=name, value=value) for name, value in self.frame.items()]
        frames = [FreezeFrame(ecu=ENGINE, number=0, values=values)] if values else []
        return CarReading(
            complete=True,
            answered={"stored codes": [ENGINE], "pending codes": [ENGINE]},
            codes=[Code(code=code, state="pending", ecu=ENGINE) for code in self.codes],
            freeze_frames=frames,
            monitor_results=[result_of_nine(ENGINE, bytes.fromhex(x)) for x in self.results],
        )


def finding_of(row: dict[str, object]) -> Finding:
    """A finding of its kept numbers."""
    kept = {name: value for name, value in row.items() if name not in ("within", "numbers")}
    kept["verdict"] = Verdict(str(kept["verdict"]))
    kept["lacks"] = Coverage(str(kept["lacks"]))
    kept["causes"] = tuple(kept.get("causes", ()))  # type: ignore[arg-type]
    return Finding(reason="", **kept)  # type: ignore[arg-type]


def _kept(finding: Finding) -> dict[str, object]:
    row: dict[str, object] = {name: getattr(finding, name) for name in KEPT}
    row["within"] = None if finding.band is None else finding.band.within
    return row | {"verdict": finding.verdict.value, "lacks": finding.lacks.value}


def case_of(
    seed: int,
    faults: int = 1,
    severities: Sequence[float] = SEVERITIES,
    healthy: float = HEALTHY_SHARE,
    as_met: bool = False,
) -> Case:
    """What is wrong with the car of a seed: nothing in the share `healthy` of them, else so many
    of the faults that it can have, of severities drawn from these; all alike, or `as_met`: as
    often as the trade meets them (the weight of the causes)."""
    car = car_of(seed)
    rng = random.Random(f"causes {seed}")
    if rng.random() < healthy:
        return Case(seed, (), car.kind)
    able = possible_faults(car)

    def late(name: str) -> float:
        first = -math.log1p(-random.Random(f"{name} {seed}").random())
        return first / CAUSES[name].prior if as_met else first

    drawn = sorted(able, key=late)[:faults]
    return Case(seed, tuple((name, rng.choice(severities)) for name in drawn), car.kind)


def drive_case(case: Case) -> Row:
    """Drive it, in drawn weather, height and schedule, and judge what was recorded."""
    seed = case.seed
    rng = random.Random(f"weather {seed}")
    stated, ambient_degc = rng.random() < 0.6, rng.uniform(-5.0, 32.0)
    drive = Drive(
        car_of(seed),
        dict(case.faults),
        fleet_schedule(seed),
        seed=seed,
        ambient_degc=ambient_degc,
        altitude_m=rng.choice((0.0, 0.0, 300.0, 900.0, 1600.0)),
        cooled=rng.random() < 0.3 and ambient_degc > COOLED_DEGC,
        day=draw_day(seed),
    )
    recording = recorded(drive, seed, WANTED, RATES_HZ, stated)
    view = View(recording)
    memory = drive.memory
    kept = {name: memory.frame[name] for name in FRAME if name in (memory.frame or ())}
    reasons = [
        hidden_because(drive.car, fault, recording.signals, ambient_degc)
        for fault, _ in case.faults
    ]
    return Row(
        case,
        traits={trait.value: round(view.engine[trait].probability, 3) for trait in Trait},
        findings=tuple(map(_kept, run_checks(view))),
        codes=tuple(sorted({code for service in (3, 7) for code in memory.codes(service)})),
        results=tuple(test.nine.hex() for test in memory.monitor_tests(ENGINE)),
        frame={name: round(value, 3) for name, value in kept.items()},
        hidden="; ".join(filter(None, reasons)),
    )


def read_rows(path: Path) -> dict[Case, Row]:
    """Those of a work file; a last line cut short is left out."""
    found = {}
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True) if path.exists() else []
    for line in lines:
        if not line.endswith("\n"):
            continue
        row = json.loads(line)
        told = row["case"]
        case = Case(told["seed"], tuple((n, s) for n, s in told["faults"]), told["kind"])
        found[case] = Row(
            **{key: tuple(x) if isinstance(x, list) else x for key, x in row.items()}
            | {"case": case}
        )
    return found


def driven(cases: Iterable[Case], work: Path) -> Iterator[Row]:
    """The rows of cases, in their order: those of the work file, and the rest driven now."""
    found = read_rows(work)
    for case in cases:
        if case not in found:
            row = drive_case(case)
            with work.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(row)) + "\n")
            found[case] = row
        yield found[case]


def main() -> None:
    """Drive the cases of a range of seeds."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--cars", type=int, required=True)
    parser.add_argument("--kinds", default="", help="gasoline,diesel …; all kinds without")
    parser.add_argument("--work", type=Path, required=True)
    given = parser.parse_args()
    kinds = [kind for kind in given.kinds.split(",") if kind]
    seeds = range(given.first, given.first + given.cars)
    cases = [case_of(seed) for seed in seeds]
    chosen = [case for case in cases if not kinds or case.kind in kinds]
    for number, _ in enumerate(driven(chosen, given.work), 1):
        if number % 50 == 0 or number == len(chosen):
            print(f"{number} of {len(chosen)}", flush=True)


if __name__ == "__main__":
    main()
