"""What the simulated fleet says of the checks: figures, page and picture from the outcomes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path

from logbench.simulator.cars import Car
from logbench.simulator.faults import FAULT_NAMES

HEALTHY = "healthy"
MOST_FALSE_PCT = 1.0
LEAST_NAMED_PCT = {1.0: 95.0, 0.5: 80.0}
"""What is wanted of the headline figures: false alarms, and causes named at a severity."""

_MAP_METERED = (
    "this car meters its air by manifold pressure: a leak raises the pressure, which is measured,"
    " so the trims stay normal (trade-notes 1); only a higher idle speed may tell"
)

_WEIGH = (
    "The drives, weather, heights and scatter were drawn; the physics and the faults were written"
    " by those who wrote the checks. A real fault is rarely as clean, seldom alone, and rarely one"
    f" of these {len(FAULT_NAMES)}.",
    "Kinds of cars are drawn about as European roads have them [from memory]; hybrids and cars for"
    " any share of ethanol somewhat more often, so that there are some.",
    "Three bands were set with other simulated cars in view (both trends of the fuel trim, the"
    " fastest warm-up), never with the seeds kept for final figures; their basis in"
    " the [guide](../logbench/app/guide/pages/checks/index.md) says what else they stand on.",
    "When the simulated cars were given the scatter of a real one, three faults were made stronger"
    " at severity 1, so that it stays the plain fault it is meant to be: leaking_injector,"
    " biased_o2 and lazy_o2. Their figures lean on that choice more than the others'.",
    "Severity 0.5 is meant to be what a technician finds with care, not half of a quantity: half a"
    " catalyst or half an alternator still does its work. Some faults were made stronger there"
    " with that in view (weak_alternator, worn_battery, catalyst_aged, rail_hunting, egt_dead,"
    " wrong_ethanol, purge_open, thermostat_open and an injector's), the charge leak behind"
    " the sensor and, near freezing, the glow plug at every severity. No band was moved for them;"
    " those of a rough"
    " cold start and of a gasoline engine's charge pressure without a command are new, and were set"
    " with simulated cars in view.",
    "A drive of the fleet holds what a good test drive holds: a cold start, idle, cruise and a"
    " pull. A shorter recording is judged less; it says what is missing.",
    "Above 18 degC the air conditioning of healthy cars is on, and its compressor comes and goes;"
    " the faults are driven with it off, as the program asks for: with it on, more air flows at"
    " idle, and unmetered air at half severity shows less (not found in 2 of 10 drives that were"
    " tried).",
    "The heat that a simulated engine takes to warm up, about 24 g of air per liter and kelvin, is"
    " twice that of the open recordings of real cars; the band covers both.",
)
"""What the figures do not show; one sentence or two each."""


@dataclass(frozen=True)
class Outcome:
    """What the checks said of one drive."""

    seed: int
    fault: str
    """Its name, or `HEALTHY`."""
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
    hidden: str = ""
    """Why the fault cannot show in this car's signals; '' where it can."""
    kind: str = "gasoline"
    """Of the car: see `cars.Kind`."""


_RAIL = ("FRP_23", "FRP_22", "FRP_59", "FRP_A")
GLOWS_DEGC = 5.0
"""Below, a diesel without one of its glow plugs turns longer and runs rough. [CP]"""
_SEEN_BY: Mapping[str, tuple[str, ...]] = {
    "rail_hunting": _RAIL,
    **dict.fromkeys(("rail_low", "pump_weak"), ("FRP_A_CMD",)),  # short of what is commanded
    **dict.fromkeys(("filter_loaded", "filter_hose", "filter_offset"), ("DPF1_DP",)),
    "egt_dead": ("EGT11", "EGT12", "EGT13", "EGT14", "DPF1_INT", "DPF1_OUTT"),
    "catalyst_aged": ("O2S12",),
    # whether it should recirculate now, nothing else says
    **dict.fromkeys(("egr_shut", "egr_cooler"), ("EGR_PCT", "EGR_A_CMD")),
}
"""Signals of which one at least must be recorded for a fault to show."""


def hidden_because(
    car: Car, fault: str, recorded: Collection[str], start_degc: float = 20.0
) -> str:
    """Why a fault cannot show in the recorded signals of this car, started at that temperature; ''
    where it can. Known from car and weather alone, never from what the checks said."""
    if fault == "glow_plug" and start_degc > GLOWS_DEGC:
        return f"above {GLOWS_DEGC:g} degC a diesel starts as well without a glow plug"
    if fault == "unmetered_air" and not car.has_maf:
        return _MAP_METERED
    if car.diesel and fault in ("boost_open", "boost_shut") and "BP_A_CMD" not in recorded:
        return "what charge pressure a diesel asks for, its signals do not say"
    wanted = _SEEN_BY.get(fault)
    if wanted and not set(wanted) & set(recorded):
        return f"this car offers none of {', '.join(wanted)}"
    return ""


def wilson(hits: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share, in %: Wilson, J. Am. Stat. Assoc. 22 (1927) 209."""
    if of == 0:
        return 0.0, 100.0
    z = 1.959964
    p = hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(0.0, 100 * (middle - half)), min(100.0, 100 * (middle + half))


def share(hits: int, of: int) -> str:
    """`3 of 40 (7.5 %, 95 % interval 2.6 to 19.9 %)`."""
    if of == 0:
        return "0 of 0"
    low, high = wilson(hits, of)
    return f"{hits} of {of} ({100 * hits / of:.2f} %, 95 % interval {low:.2f} to {high:.2f} %)"


def report(outcomes: Sequence[Outcome], command: str) -> str:
    """The page that `command` makes: headline figures, detection by severity, confusion matrix,
    what is left out, what the figures do not show."""
    healthy = [o for o in outcomes if o.fault == HEALTHY]
    faulty = [o for o in outcomes if o.fault != HEALTHY]
    severities = sorted({o.severity for o in faulty})
    at = {s: [o for o in faulty if o.severity == s] for s in reversed(severities)}
    plain = at[severities[-1]] if severities else []
    cars = len({o.seed for o in outcomes})
    lines = [
        "# The checks on a simulated fleet",
        "",
        f"Made by `{command}`; do not edit by hand.",
        "",
        f"{cars} simulated cars of all kinds, drawn from seeds as roads have them, each healthy and"
        f" with some of the faults it can have, drawn, too, at {len(severities)} severities:"
        f" {len(outcomes)} drives of about 12 min in drawn weather and heights. The checks saw the"
        " recorded signals only. The simulated car is none: this shows what the checks make"
        " of its physics, not how often they are right in a workshop.",
        "",
        "![share of drives that are found against the fault's severity](fleet.png)",
        "",
        *_headline(healthy, at),
        *_by_kind(outcomes, severities),
        *_detection(faulty, severities),
        *_confusion(healthy, plain),
        *_false_alarms(healthy),
        *_left_out(faulty, severities),
        "## How to weigh this",
        "",
        *(f"- {line}" for line in _WEIGH),
    ]
    return "\n".join(lines).rstrip() + "\n"


def _headline(healthy: Sequence[Outcome], plain: Mapping[float, Sequence[Outcome]]) -> list[str]:
    judged = sum(len(o.judged) for o in healthy)
    acted = sum(len(o.acted) for o in healthy)
    by_drive = share(sum(bool(o.acted) for o in healthy), len(healthy))
    watched = share(sum(o.worst == "watch" for o in healthy), len(healthy))
    lines = [
        "## In short",
        "",
        f"- Healthy cars: {share(acted, judged)} of the judged checks say `act`; wanted at most"
        f" {MOST_FALSE_PCT:g} %.",
        f"- Healthy drives: {by_drive} hold an `act`; {watched} hold a `watch` and no `act`.",
    ]
    for severity, drives in plain.items():
        seen = [o for o in drives if not o.hidden]
        wanted = LEAST_NAMED_PCT.get(severity)
        lines += [
            f"- Faults at severity {severity:g} that can show in the car's signals:"
            f" {share(sum(o.named for o in seen), len(seen))} are named among the first two"
            f" causes{f'; wanted at least {wanted:g} %' if wanted else ''}. With those counted"
            f" apart: {share(sum(o.named for o in drives), len(drives))}."
        ]
    return [*lines, ""]


def _by_kind(outcomes: Sequence[Outcome], severities: Sequence[float]) -> list[str]:
    """The same by kind of engine."""
    lines = [
        "## By kind of engine",
        "",
        "Healthy: `act` of judged checks, drives with a `watch` and no `act`. Faults that can show:"
        " `act` or `watch` / named among the first two causes, in % of the drives.",
        "",
        "| kind | cars | `act` | `watch` | "
        + " | ".join(f"drives, severity {s:g}" for s in severities)
        + " |",
        "| --- | ---: | ---: | ---: |" + " --- |" * len(severities),
    ]
    for kind in sorted({o.kind for o in outcomes}):
        mine = [o for o in outcomes if o.kind == kind]
        healthy = [o for o in mine if o.fault == HEALTHY]
        acted = sum(len(o.acted) for o in healthy)
        watched = sum(o.worst == "watch" for o in healthy)
        row = [kind, str(len(healthy)), f"{acted} of {sum(len(o.judged) for o in healthy)}"]
        row.append(str(watched))
        for severity in severities:
            seen = [o for o in mine if o.severity == severity and o.fault != HEALTHY]
            seen = [o for o in seen if not o.hidden]
            row.append(f"{len(seen)}: {_cell(seen, acts=False)}")
        lines.append("| " + " | ".join(row) + " |")
    return [*lines, ""]


def _detection(faulty: Sequence[Outcome], severities: Sequence[float]) -> list[str]:
    lines = [
        "## Detection by severity",
        "",
        "In % of the drives: `act` / `act` or `watch` / the fault among the first two causes."
        " Drives that cannot show the fault are left out here and counted apart below.",
        "",
        "| fault | drives each | " + " | ".join(f"severity {s:g}" for s in severities) + " |",
        "| --- | ---: |" + " --- |" * len(severities),
    ]
    for fault in FAULT_NAMES:
        mine = [o for o in faulty if o.fault == fault and not o.hidden]
        at = [[o for o in mine if o.severity == s] for s in severities]
        count = max((len(drives) for drives in at), default=0)
        lines.append(f"| {fault} | {count} | " + " | ".join(_cell(drives) for drives in at) + " |")
    return [*lines, ""]


def _cell(drives: Sequence[Outcome], acts: bool = True) -> str:
    if not drives:
        return "-"
    shares = (
        *((sum(o.worst == "act" for o in drives),) if acts else ()),
        sum(o.worst != "within" for o in drives),
        sum(o.named for o in drives),
    )
    return " / ".join(f"{100 * s / len(drives):.0f}" for s in shares)


def _confusion(healthy: Sequence[Outcome], plain: Sequence[Outcome]) -> list[str]:
    """What each fault is taken for at first: rows the truth, columns the first cause, numbered."""
    rows = {
        f: Counter(o.first for o in plain if o.fault == f and not o.hidden) for f in FAULT_NAMES
    }
    rows[HEALTHY] = Counter(o.first for o in healthy)
    found = {k for row in rows.values() for k in row}
    columns = [f for f in FAULT_NAMES if f in found] + sorted(found - {*FAULT_NAMES, "none"})
    columns += ["none"] if "none" in found else []
    number = {f: k for k, f in enumerate(FAULT_NAMES, 1)}
    heads = [str(number.get(c, c)) for c in columns]
    lines = [
        "## First cause named at the highest severity",
        "",
        "Rows: the truth; columns: the first cause of the leading finding, by the number of the row"
        " or by name where it is none of these faults. `none`: all within.",
        "",
        "| truth | " + " | ".join(heads) + " |",
        "| --- |" + " ---: |" * len(columns),
    ]
    for fault, row in rows.items():
        head = f"{number[fault]} {fault}" if fault in number else fault
        cells = [f"**{row[c]}**" if c == fault and row[c] else str(row[c] or "") for c in columns]
        lines.append(f"| {head} | " + " | ".join(cells) + " |")
    return [*lines, ""]


def _false_alarms(healthy: Sequence[Outcome]) -> list[str]:
    by_check = Counter(check for o in healthy for check in o.acted)
    judged = Counter(check for o in healthy for check in o.judged)
    lines = ["## False alarms by check", "", "| check | `act` on a healthy car |", "| --- | --- |"]
    lines += [f"| {check} | {share(by_check[check], judged[check])} |" for check in sorted(judged)]
    return [*lines, ""]


def _left_out(faulty: Sequence[Outcome], severities: Sequence[float]) -> list[str]:
    hidden = [o for o in faulty if o.hidden]
    if not hidden:
        return []
    lines = ["## Counted apart: cannot show in the signals of the car", ""]
    for fault in sorted({o.fault for o in hidden}):
        mine = [o for o in hidden if o.fault == fault]
        at = ", ".join(
            f"{_cell([o for o in mine if o.severity == s])} at severity {s:g}" for s in severities
        )
        lines.append(
            f"- {fault}, {len(mine)} drives: {mine[0].hidden}. What the checks said: {at}."
        )
    return [*lines, ""]


def plot(outcomes: Sequence[Outcome], path: Path) -> None:
    """Share of drives with `act`, and of those that name the fault, against severity; drives whose
    signals cannot show the fault are left out."""
    from matplotlib.figure import Figure

    healthy = [o for o in outcomes if o.fault == HEALTHY]
    at_zero = 100 * sum(o.worst == "act" for o in healthy) / max(1, len(healthy))
    columns = 6
    rows = len(FAULT_NAMES) // columns + 1  # one place is left for the legend
    figure = Figure(figsize=(12, 2.0 * rows + 0.8), layout="constrained")
    axes = figure.subplots(rows, columns, sharex=True, sharey=True).ravel()
    for ax, fault in zip(axes, FAULT_NAMES, strict=False):
        mine = [o for o in outcomes if o.fault == fault and not o.hidden]
        at = sorted({o.severity for o in mine})
        drives = [[o for o in mine if o.severity == s] for s in at]
        act = [100 * sum(o.worst == "act" for o in d) / len(d) for d in drives]
        named = [100 * sum(o.named for o in d) / len(d) for d in drives]
        ax.axhline(LEAST_NAMED_PCT[1.0], color="0.75", lw=0.8, ls=":")
        ax.plot([0, *at], [at_zero, *act], "o-", color="#0072B2", label="a check says act")
        ax.plot(at, named, "s--", color="#B85C00", label="fault among the first two causes")
        ax.set_title(fault.replace("_", " "), fontsize=10)
        ax.set_ylim(-4, 104)
        ax.set_xlim(-0.04, 1.04)
        ax.set_xticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "¼", "½", "¾", "1"])
        ax.tick_params(labelbottom=True)
        ax.grid(alpha=0.25)
    handles, labels = axes[0].get_legend_handles_labels()
    for ax in axes[len(FAULT_NAMES) :]:
        ax.axis("off")
    figure.legend(handles, labels, loc="lower right", bbox_to_anchor=(0.97, 0.07), fontsize=9)
    figure.supxlabel("severity of the fault, 0 healthy to 1 plain")
    figure.supylabel("% of drives")
    cars = len({o.seed for o in outcomes})
    figure.suptitle(f"Simulated fleet of {cars} cars: what the checks find", fontsize=12)
    figure.savefig(path, dpi=110)
