"""Learns what each cause does to each number, from simulated drives, and writes
`logbench/analysis/causes/learned.json`.

    python -m tests.analysis.causes.learn --work drives.jsonl

`drives.jsonl` is what `tests.analysis.causes.drives` wrote. For each kind of engine and number:
middle and scatter over all drives, robustly, since most causes leave most numbers alone; then, by
ridge regression through zero, what each cause does as a curve of its severity, pooled over kinds of
engine and shifted for each where enough drives say so; the scatter left over, jointly for the
numbers of one block; and by how much it grows with the severity.
"""

from __future__ import annotations

import argparse
import json
import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.analysis.causes.model import NOTHING_WRONG
from logbench.analysis.causes.observations import NOTHING, Answer, observe
from logbench.analysis.causes.response import (
    NODES,
    POOLED,
    STRATA,
    Response,
    press,
    read_response,
    stratum_of,
)
from logbench.analysis.engine import Trait
from tests.analysis.causes.drives import Row, case_of, read_rows

Values = npt.NDArray[np.float64]
Out = Path("logbench/analysis/causes/learned.json")

TOGETHER = (
    ("fuel_trim", "purge", "ethanol"),
    ("airflow", "fuel_used", "pressures"),
    ("warm_up", "cold_soak"),
)
"""Checks whose numbers hang together; every other check is a block of its own."""
LEAST_DRIVES = 12
"""Of a number in a kind of engine, and of it over all, to be used."""
OWN_LEVEL = 12
"""Drives from which on a kind of engine has a level of its own."""
WITHIN = 2.5
"""Standard deviations from the middle to the end of a band. [CP]"""
SOUND = 0.25
"""Severity up to which a car counts as sound: healthy ones are in it, and few others are odd."""
EFFECT_SD, SHIFT_SD = 4.0, 2.0
"""How large effects are taken to be before anything is seen, and their differences between kinds
of engine, in standard deviations of healthy cars."""
THERE = 0.1
"""How many of all numbers a cause is taken to move, before anything is seen."""
MOVED = 0.5
"""Of a number that moves by less, the scatter is that of healthy cars."""
SPREAD_SHARE, SPREAD_DRIVES = 0.3, 6.0
"""Scatter of an effect before anything is seen, of its size, and how many drives that counts as."""
SHRINK = 0.15
"""Of the covariances within a block, towards none."""
ANSWER_DRIVES = 3.0
"""How many drives of a sound car each cause's answers begin with."""
RAREST = 0.002
"""No answer is rarer: with a cause, or in a sound car."""
LEAST_CODES = 3
"""Drives in which a code comes, to be asked about."""
LEAST = 0.15
"""What is smaller is taken as left alone."""
TEMPERATURE = 0.6
"""Chosen by drives that the fit had not seen: see docs/causes.md."""
DECIMALS = 2


def numbers_of(row: Row) -> dict[str, tuple[float, float]]:
    """Value and half width of each number by its key."""
    found = observe(row.as_findings, row.reading).numbers
    return {n.name: (n.value, n.half) for n in found}


def traits_of(row: Row) -> dict[Trait, float]:
    """What is known of the engine, as the recording tells it."""
    return {trait: row.traits[trait.value] for trait in Trait}


class Table:
    """All numbers of all rows: `value`, `half`, (n, k), NaN where a drive lacks one."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self.rows = list(rows)
        found = [numbers_of(row) for row in rows]
        counts: dict[str, int] = defaultdict(int)
        for row in found:
            for key in row:
                counts[key] += 1
        self.keys = sorted(key for key, n in counts.items() if n >= LEAST_DRIVES)
        shape = (len(rows), len(self.keys))
        self.value, self.half = np.full(shape, np.nan), np.full(shape, np.nan)
        for n, row in enumerate(found):
            for k, key in enumerate(self.keys):
                self.value[n, k], self.half[n, k] = row.get(key, (np.nan, np.nan))
        self.least = self._least_scales()
        self.stratum = np.array([stratum_of(traits_of(row)) for row in rows])
        self.sound = np.array([sum(s for _, s in row.case.faults) <= SOUND for row in rows])

    def _least_scales(self) -> dict[str, tuple[float, float, float]]:
        """By number: the ends of its band, and what it does from drive to drive of a real car: half
        of the time less than that."""
        ends: dict[str, tuple[float, float]] = {}
        days: dict[str, list[float]] = defaultdict(list)
        for row in self.rows:
            for finding in row.findings:
                key = f"{finding['check']}|{finding['subject']}|{finding['unit']}"
                if finding["of_car"]:
                    days[key].append(float(str(finding["of_car"])) / 1.96)
                if within := finding.get("within"):
                    low, high = within  # type: ignore[misc]
                    ends[key] = (
                        -math.inf if low is None else low,
                        math.inf if high is None else high,
                    )
        return {
            key: (
                *ends.get(key, (-math.inf, math.inf)),
                float(np.median(days[key])) if days[key] else 0.0,
            )
            for key in self.keys
        }

    def levels(self) -> dict[str, dict[str, tuple[float, float, float]]]:
        """Middle, scatter and usual standard error by kind of engine and number, of sound cars;
        where a kind has few of them, of all kinds."""
        found: dict[str, dict[str, tuple[float, float, float]]] = {}
        for stratum in STRATA:
            mine = self.stratum == stratum
            for k, key in enumerate(self.keys):
                there = np.isfinite(self.value[:, k])
                if not (there & mine).any():
                    continue
                ways = (there & mine & self.sound, there & mine, there & self.sound, there)
                used = next((way for way in ways if way.sum() >= OWN_LEVEL), there)
                level = _level(self.value[used, k], self.half[used, k])
                found.setdefault(stratum, {})[key] = _widened(level, *self.least[key])
        return found

    def pressed(self, levels: Mapping[str, Mapping[str, tuple[float, float, float]]]) -> Values:
        """All numbers as the model takes them."""
        out = np.full_like(self.value, np.nan)
        for n, stratum in enumerate(self.stratum):
            for k, key in enumerate(self.keys):
                if np.isfinite(self.value[n, k]):
                    middle, scale, _ = levels[stratum][key]
                    out[n, k] = (self.value[n, k] - middle) / scale
        return press(out)


def _level(value: Values, half: Values) -> tuple[float, float, float]:
    middle = float(np.median(value))
    own = half[np.isfinite(half)] / 1.96
    error = float(np.median(own)) if len(own) else 0.0
    low, high = np.percentile(value, (12, 88))
    return middle, max(float(high - low) / 2.35, error, 0.01 * abs(middle), 1e-3), error


def _widened(
    level: tuple[float, float, float], low: float, high: float, day: float
) -> tuple[float, float, float]:
    """Real cars scatter more than simulated ones: a car at the nearer end of the band is `WITHIN`
    standard deviations from the middle at most, and what days do to a real car is in it, too."""
    middle, scale, error = level
    apart = min((abs(end - middle) for end in (low, high) if math.isfinite(end)), default=0.0)
    return middle, max(scale, day, apart / WITHIN), error


def _at_nodes(severity: Values) -> Values:
    """What each node counts for at each severity, linear between them, (n, nodes)."""
    eye = np.eye(len(NODES))
    columns = [np.interp(severity, [0.0, *NODES], [0.0, *unit]) for unit in eye]
    return np.stack(columns, axis=1)


def _walk(sd: float) -> Values:
    """Precision of a curve from 0 whose steps from node to node are independent."""
    steps = np.eye(len(NODES)) - np.eye(len(NODES), k=-1)
    return np.asarray(steps.T @ steps * len(NODES) / sd**2)


def _curve(x: Values, y: Values, sd: float, noise: float) -> Values:
    """The curve at the nodes, of scatter `noise` (a variance) and curves that end at about `sd`,
    times the probability that there is one at all: chance draws curves, too. What the wildest
    drive alone says is not evidence of one."""
    if len(y) < 2:
        return np.zeros(len(NODES))
    scaled, prior = y / math.sqrt(noise), np.linalg.inv(_walk(sd))
    both = x @ prior @ x.T / noise + np.eye(len(y))
    rest = np.arange(len(y)) != np.argmax(np.abs(y))
    others, kept = both[np.ix_(rest, rest)], scaled[rest]
    evidence = 0.5 * (kept @ kept - kept @ np.linalg.solve(others, kept))
    evidence -= 0.5 * np.linalg.slogdet(others)[1]
    odds = THERE / (1.0 - THERE) * math.exp(min(50.0, evidence))
    curve = prior @ x.T @ np.linalg.solve(both, scaled) / math.sqrt(noise)
    return np.asarray(curve * odds / (1.0 + odds))


Curves = dict[str, dict[str, Values]]
"""Curves by cause and kind of engine, (k, nodes)."""


def _mine(table: Table, cause: str) -> tuple[Values, npt.NDArray[np.bool_]]:
    """The severity of the cause in each drive, and whether it is the only one there."""
    severity = np.array([dict(row.case.faults).get(cause, 0.0) for row in table.rows])
    alone = np.array([len(row.case.faults) == 1 for row in table.rows])
    return severity, alone & (severity > 0)


def fit_effects(table: Table, g: Values) -> Curves:
    """What each single cause does; drives with two count for neither."""
    curves: Curves = {}
    causes = {row.case.faults[0][0] for row in table.rows if len(row.case.faults) == 1}
    for cause in sorted(causes):
        severity, mine = _mine(table, cause)
        x = _at_nodes(severity)
        kinds = [s for s in STRATA if (mine & (table.stratum == s)).any()]
        curves[cause] = {s: np.zeros((len(table.keys), len(NODES))) for s in (POOLED, *kinds)}
        for k in range(len(table.keys)):
            used = mine & np.isfinite(g[:, k])
            noise = _spread(g[table.sound, k]) ** 2
            pooled = _curve(x[used], g[used, k], EFFECT_SD, noise)
            curves[cause][POOLED][k] = pooled
            for stratum in kinds:
                own = used & (table.stratum == stratum)
                shift = _curve(x[own], g[own, k] - x[own] @ pooled, SHIFT_SD, noise)
                curves[cause][stratum][k] = pooled + shift
    return curves


def residuals(table: Table, g: Values, curves: Curves) -> Values:
    """What is left of every drive of at most one fault; NaN for others."""
    left = np.full_like(g, np.nan)
    for n, row in enumerate(table.rows):
        if not row.case.faults:
            left[n] = g[n]
        elif len(row.case.faults) == 1:
            (cause, s) = row.case.faults[0]
            left[n] = g[n] - curves[cause][table.stratum[n]] @ _at_nodes(np.array([s]))[0]
    return left


def fit_blocks(table: Table, left: Values) -> list[dict[str, Any]]:
    """Blocks of numbers with the covariance of sound cars, by pairs of numbers that both are
    there, drawn to none by `SHRINK` and made positive definite."""
    blocks: dict[str, list[int]] = defaultdict(list)
    for k, key in enumerate(table.keys):
        check = key.split("|")[0]
        name = next((names[0] for names in TOGETHER if check in names), check)
        blocks[name].append(k)
    found = []
    for places in blocks.values():
        within = left[table.sound][:, places]
        scale = np.array([_spread(column) for column in within.T])
        correlation = np.eye(len(places))
        for a in range(len(places)):
            for b in range(a):
                both = np.isfinite(within[:, a]) & np.isfinite(within[:, b])
                if both.sum() >= LEAST_DRIVES:
                    x = np.clip(within[both][:, [a, b]] / scale[[a, b]], -3, 3)
                    r = _correlation(x) * both.sum() / (both.sum() + LEAST_DRIVES)
                    correlation[a, b] = correlation[b, a] = (1 - SHRINK) * r
        values, vectors = np.linalg.eigh(correlation)
        correlation = (vectors * np.maximum(values, 0.05)) @ vectors.T
        covariance = correlation * np.outer(scale, scale)
        keys = [table.keys[k] for k in places]
        found.append({"keys": keys, "covariance": covariance.round(DECIMALS).tolist()})
    return found


def _correlation(pairs: Values) -> float:
    """Of two columns; 0 where one of them stands still."""
    moved = pairs.std(axis=0).min() > 0
    return float(np.corrcoef(pairs.T)[0, 1]) if moved else 0.0


def _spread(column: Values) -> float:
    """Standard deviation, robust against a few, at least a third."""
    there = column[np.isfinite(column)]
    if len(there) < LEAST_DRIVES:
        return 1.0
    low, high = np.percentile(there, (5, 95))
    return max(1.0 / 3.0, float(high - low) / 3.29, 0.7 * float(np.std(np.clip(there, -4, 4))))


def fit_spreads(
    table: Table, left: Values, curves: Curves, blocks: Sequence[Mapping[str, Any]]
) -> dict[str, Values]:
    """Standard deviation that each cause adds at the nodes, (k, nodes): what it scatters by beyond
    healthy cars, and what is not known of its curve."""
    usual = np.ones(len(table.keys))
    for block in blocks:
        for key, variance in zip(block["keys"], np.diag(block["covariance"]), strict=True):
            usual[table.keys.index(key)] = variance
    found = {}
    for cause, by_stratum in curves.items():
        severity, mine = _mine(table, cause)
        curve = by_stratum[POOLED]
        step = np.abs(np.diff(curve, axis=1, prepend=0.0))
        after = np.hypot(step, np.append(step[:, 1:], step[:, -1:], axis=1))
        guess = (SPREAD_SHARE * np.abs(curve)) ** 2 + (SPREAD_SHARE * after) ** 2
        moved = np.minimum(1.0, np.abs(curve).max(axis=1, keepdims=True) / MOVED)
        weight = _at_nodes(severity)[mine]
        there = np.isfinite(left[mine])
        excess = np.where(there, left[mine] ** 2 - usual, 0.0)
        count = there.T.astype(float) @ weight
        total = excess.T @ weight + SPREAD_DRIVES * guess
        variance = np.maximum(total / (count + SPREAD_DRIVES), 0.0) + 1.0 / (count + 2.0)
        found[cause] = np.sqrt(variance * moved + 0.01 * NODES**2)
    return found


Counts = dict[str, dict[str, Values]]
"""Of one question: by answer and cause, how often at each node."""


def fit_answers(rows: Sequence[Row]) -> dict[str, dict[str, dict[str, list[float]]]]:
    """How often each question had each answer, by question, answer and cause at the nodes: of sound
    cars, and of those causes that answer otherwise."""
    counts, asked = _counts(rows)
    found: dict[str, dict[str, dict[str, list[float]]]] = {}
    for question, answers in counts.items():
        sound = {
            answer: (float(by_cause[NOTHING_WRONG][0]) if NOTHING_WRONG in by_cause else 0.0)
            for answer, by_cause in answers.items()
        }
        drives = asked[question].get(NOTHING_WRONG, np.zeros(len(NODES)))[0]
        base = {a: (0.95 if a == NOTHING else 0.05 / len(answers)) for a in answers}
        usual = {a: max(RAREST, (n + base[a]) / (drives + 1.0)) for a, n in sound.items()}
        for answer, by_cause in answers.items():
            mine = found.setdefault(question, {}).setdefault(answer, {})
            mine[NOTHING_WRONG] = [round(usual[answer], 4)] * len(NODES)
            for cause, of in asked[question].items():
                hits = by_cause.get(cause, np.zeros(len(NODES)))
                chance = (hits + ANSWER_DRIVES * usual[answer]) / (of + ANSWER_DRIVES)
                if cause != NOTHING_WRONG and np.abs(np.log(chance / usual[answer])).max() > 0.2:
                    mine[cause] = np.maximum(chance, RAREST).round(4).tolist()
    return found


def _counts(rows: Sequence[Row]) -> tuple[dict[str, Counts], dict[str, dict[str, Values]]]:
    """By question the answers, and in how many drives of each cause it was asked; a drive counts
    for the nodes that its severity lies between."""
    told = [{a.question: a.answer for a in _answers(row)} for row in rows]
    codes = Counter(q for of in told for q in of if q.startswith("code|"))
    families = [question for question, n in codes.items() if n >= LEAST_CODES]
    counts: dict[str, Counts] = {}
    asked: dict[str, dict[str, Values]] = {}
    for row, of in zip(rows, told, strict=True):
        if len(row.case.faults) > 1:
            continue
        (cause, severity) = row.case.faults[0] if row.case.faults else (NOTHING_WRONG, 1.0)
        share = np.ones(len(NODES))
        if row.case.faults:
            share = _at_nodes(np.array([severity]))[0]
        known = dict.fromkeys(families, NOTHING) | {
            q: a for q, a in of.items() if q in families or q.startswith("check|")
        }
        for question, answer in known.items():
            of_cause = counts.setdefault(question, {}).setdefault(answer, {})
            of_cause[cause] = of_cause.get(cause, 0.0) + share
            all_of = asked.setdefault(question, {})
            all_of[cause] = all_of.get(cause, 0.0) + share
    return counts, asked


def _answers(row: Row) -> Sequence[Answer]:
    return observe(row.as_findings, row.reading).answers


def fit(rows: Sequence[Row]) -> dict[str, Any]:
    """The model as plain JSON types."""
    table = Table(rows)
    levels = table.levels()
    g = table.pressed(levels)
    curves = fit_effects(table, g)
    left = residuals(table, g, curves)
    blocks = fit_blocks(table, left)
    spreads = fit_spreads(table, left, curves, blocks)
    effects: dict[str, dict[str, dict[str, list[float]]]] = {}
    for cause, by_stratum in curves.items():
        for stratum, curve in by_stratum.items():
            effects.setdefault(stratum, {})[cause] = {
                key: np.concatenate((curve[k], spreads[cause][k])).round(DECIMALS).tolist()
                for k, key in enumerate(table.keys)
                if (stratum == POOLED or key in levels.get(stratum, {}))
                and (np.abs(curve[k]).max() > LEAST or spreads[cause][k].max() > 1.5 * LEAST)
            }
    rounded = {
        stratum: {key: [float(f"{x:.5g}") for x in level] for key, level in found.items()}
        for stratum, found in levels.items()
    }
    return {
        "temperature": TEMPERATURE,
        "learned": sorted(curves),
        "levels": rounded,
        "blocks": blocks,
        "effects": effects,
        "answers": fit_answers(rows),
    }


def response_of(rows: Sequence[Row]) -> Response:
    """The model of drives."""
    return read_response(fit(rows))


def current(rows: Mapping[object, Row], first: int, cars: int) -> list[Row]:
    """The rows of a range of seeds whose faults are drawn so today."""
    found = [row for row in rows.values() if first <= row.case.seed < first + cars]
    return [row for row in found if row.case == case_of(row.case.seed)]


def main() -> None:
    """Fit, choose the temperature, write the file."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    given = parser.parse_args()
    rows = list(read_rows(given.work).values())
    model = fit(rows)
    Out.write_text(json.dumps(model, separators=(",", ":")) + "\n", encoding="utf-8")
    print(f"{len(rows)} drives, {len(model['learned'])} causes, {Out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
