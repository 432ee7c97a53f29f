"""The checks on a simulated fleet: what each fault is taken for, and from which severity on.

    python -m tests.analysis.fleet --cars 300 --jobs 2 --out docs

Cars are drawn from seeds, each healthy and with each fault it can have at several severities; the
drives, weather and heights are drawn, too, and are not those the checks were made with. Seeds from
`HELD_OUT` on (`--held-out`) are kept for final figures only. Prints the confusion matrix and the
detection by severity, and writes `fleet.json`, `fleet.md` and `fleet.png` into `--out`.
"""

from __future__ import annotations

import argparse
import json
import random
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from logbench.analysis import causes
from logbench.analysis.findings import Cause
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import run_checks
from logbench.simulator.cars import draw_car
from logbench.simulator.faults import FAULT_NAMES, possible_faults
from logbench.simulator.schedules import Phase, Schedule
from tests.analysis.simulated import simulated

FIRST, HELD_OUT = 10_000, 900_000
SEVERITIES = (0.25, 0.5, 0.75, 1.0)
WANTED = (
    *("RPM", "VSS", "ECT", "IAT", "AAT", "BARO", "MAF", "MAP", "TP", "TP_B", "APP_D", "APP_E"),
    *("FUELSYS1", "LOAD_PCT", "LOAD_ABS", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2", "EVAP_PCT"),
    *("VPWR", "SPARKADV", "O2S11", "O2S12", "LAMBDA11_34", "LAMBDA", "FUEL_RATE"),
)
RATES_HZ = {"VPWR": 10.0, "O2S11": 10.0, "O2S12": 5.0, "LAMBDA11_34": 10.0}
ORDER = ("cold_soak", "charging", "fuel_trim", "warm_up", "airflow", "oxygen_sensors", "idle")
"""Which finding leads where several say the same: the more particular check first."""

ALL_CAUSES = tuple(c for c in vars(causes).values() if isinstance(c, Cause))
KEYS: dict[str, set[str]] = defaultdict(set)
for _cause in ALL_CAUSES:
    KEYS[_cause.text].add(_cause.key)


@dataclass(frozen=True)
class Outcome:
    """What the checks said of one drive."""

    seed: int
    fault: str
    severity: float
    worst: str
    """The most severe verdict of any check."""
    named: bool
    """The fault is among the first two causes of a finding of that severity (watch or act)."""
    first: str
    """Key of the first cause of the leading finding; `none` where all is within."""
    acted: tuple[str, ...]
    """Checks that say act."""
    judged: tuple[str, ...]
    """Checks that judged anything."""


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


def drive_one(task: tuple[int, str, float]) -> Outcome:
    """One drive and its findings."""
    seed, fault, severity = task
    rng = random.Random(f"weather {seed}")
    recording = simulated(
        seed,
        {fault: severity} if fault and severity else {},
        fleet_schedule(seed),
        WANTED,
        RATES_HZ,
        stated=rng.random() < 0.6,
        ambient_degc=rng.uniform(-5.0, 32.0),
        altitude_m=rng.choice((0.0, 0.0, 300.0, 900.0, 1600.0)),
    )
    found = [f for f in run_checks(recording) if f.check != "readiness"]
    severe = max(f.verdict.severity for f in found)
    leading = [f for f in found if f.verdict.severity == severe > 0]
    leading.sort(key=lambda f: (ORDER.index(f.check) if f.check in ORDER else 99, not f.causes))
    return Outcome(
        seed=seed,
        fault=fault or "healthy",
        severity=severity,
        worst=("within", "watch", "act")[severe],
        named=any(fault in KEYS[text] for f in leading for text in f.causes[:2]),
        first=_first_cause(leading),
        acted=tuple(sorted({f.check for f in found if f.verdict is Verdict.ACT})),
        judged=tuple(sorted({f.check for f in found if f.verdict is not Verdict.NOT_JUDGED})),
    )


def _first_cause(leading: list[Finding]) -> str:
    texts = [f.causes[0] for f in leading if f.causes]
    if not texts:
        return "other" if leading else "none"
    keys = KEYS.get(texts[0], {"other"})
    return min(keys, key=lambda k: (k not in FAULT_NAMES, k))


def tasks(cars: int, first: int, severities: tuple[float, ...]) -> list[tuple[int, str, float]]:
    """Every drive of the fleet."""
    out = []
    for seed in range(first, first + cars):
        out.append((seed, "", 0.0))
        out += [(seed, f, s) for f in possible_faults(draw_car(seed)) for s in severities]
    return out


def report(outcomes: list[Outcome]) -> str:
    """The confusion matrix and the detection by severity as Markdown."""
    healthy = [o for o in outcomes if o.fault == "healthy"]
    judged = sum(len(o.judged) for o in healthy)
    acted = sum(len(o.acted) for o in healthy)
    watched = sum(o.worst == "watch" for o in healthy)
    lines = [
        "# The checks on a simulated fleet",
        "",
        f"{len(healthy)} cars, {len(outcomes)} drives. Healthy cars: {acted} of {judged} judged"
        f" checks say `act` ({100 * acted / max(1, judged):.2f} %), {watched} of"
        f" {len(healthy)} drives hold a `watch`.",
        "",
        "## Detection by severity",
        "",
        "`act` / `act` or `watch` / fault among the first two causes, in % of the drives.",
        "",
    ]
    severities = sorted({o.severity for o in outcomes if o.fault != "healthy"})
    lines.append("| fault | " + " | ".join(f"{s:g}" for s in severities) + " |")
    lines.append("| --- |" + " --- |" * len(severities))
    for fault in FAULT_NAMES:
        cells = [
            _cell([o for o in outcomes if (o.fault, o.severity) == (fault, s)]) for s in severities
        ]
        lines.append(f"| {fault} | " + " | ".join(cells) + " |")
    plain = [o for o in outcomes if o.severity == severities[-1]] if severities else []
    named = 100 * sum(o.named for o in plain) / max(1, len(plain))
    lines += ["", f"At severity {severities[-1]:g}: {named:.1f} % named." if plain else "", ""]
    return "\n".join([*lines, *_confusion(healthy, plain), ""])


def _cell(drives: list[Outcome]) -> str:
    if not drives:
        return "-"
    shares = (
        sum(o.worst == "act" for o in drives),
        sum(o.worst != "within" for o in drives),
        sum(o.named for o in drives),
    )
    return " / ".join(f"{100 * s / len(drives):.0f}" for s in shares)


def _confusion(healthy: list[Outcome], plain: list[Outcome]) -> list[str]:
    """What each fault is taken for at first: rows the truth, columns the first cause."""
    rows = {f: Counter(o.first for o in plain if o.fault == f) for f in FAULT_NAMES}
    rows["healthy"] = Counter(o.first for o in healthy)
    columns = sorted({k for row in rows.values() for k in row})
    lines = [
        "## First cause named at the highest severity",
        "",
        "| truth | " + " | ".join(columns) + " |",
        "| --- |" + " --- |" * len(columns),
    ]
    for fault, row in rows.items():
        lines.append(f"| {fault} | " + " | ".join(str(row[c] or "") for c in columns) + " |")
    return lines


def plot(outcomes: list[Outcome], path: Path) -> None:
    """Share of drives with `act`, and of those that name the fault, against severity."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 6), layout="constrained")
    axes = figure.subplots(3, 4, sharex=True, sharey=True).ravel()
    for ax, fault in zip(axes, FAULT_NAMES, strict=False):
        at = sorted({o.severity for o in outcomes if o.fault == fault})
        drives = [[o for o in outcomes if (o.fault, o.severity) == (fault, s)] for s in at]
        act = [100 * sum(o.worst == "act" for o in d) / len(d) for d in drives]
        named = [100 * sum(o.named for o in d) / len(d) for d in drives]
        ax.plot([0, *at], [0, *act], "o-", color="#0072B2", label="act")
        ax.plot([0, *at], [0, *named], "s--", color="#E69F00", label="named")
        ax.set_title(fault.replace("_", " "), fontsize=9)
        ax.set_ylim(-5, 105)
    for ax in axes[len(FAULT_NAMES) :]:
        ax.set_visible(False)
    axes[0].legend(fontsize=8)
    figure.supxlabel("severity of the fault")
    figure.supylabel("% of drives")
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cars", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--severities", default=",".join(map(str, SEVERITIES)))
    parser.add_argument("--first", type=int, default=FIRST, help="first seed")
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--out", type=Path, default=None)
    given = parser.parse_args()
    severities = tuple(float(s) for s in given.severities.split(",") if s)
    todo = tasks(given.cars, HELD_OUT if given.held_out else given.first, severities)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(given.jobs) as pool:
        for k, outcome in enumerate(pool.map(drive_one, todo, chunksize=4)):
            outcomes.append(outcome)
            if (k + 1) % 100 == 0:
                print(f"{k + 1} of {len(todo)} drives", flush=True)
    text = report(outcomes)
    print(text)
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "fleet.md").write_text(text, encoding="utf-8")
        rows = [asdict(o) for o in outcomes]
        (given.out / "fleet.json").write_text(json.dumps(rows), encoding="utf-8")
        plot(outcomes, given.out / "fleet.png")


if __name__ == "__main__":
    main()
