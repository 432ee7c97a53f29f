"""The proof of the comparison, by one command: `python -m tests.analysis.comparison.proof_report`.

Simulates pairs of drives with a known true change (`proof.py`), draws coverage and
power, and writes the figures into docs/comparison.md between its two marks.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter

from tests.analysis.comparison import proof
from tests.analysis.comparison.proof import Claim, Outcome

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLACK, ORANGE, GREEN, BLUE, VERMILLION = "#000000", "#E69F00", "#009E73", "#0072B2", "#D55E00"
"""Okabe & Ito 2008: color-blind safe."""
BEGIN, END = "<!-- proof: begin -->", "<!-- proof: end -->"
EDGES_PCT = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0, 40.0)
NAMES = {
    "TOTAL_TRIM": "total fuel trim, % points",
    "VE": "volumetric efficiency, % points",
    "warm-up": "heat for the warm-up, %",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the proof; see `--help`."""
    parser = argparse.ArgumentParser(prog="python -m tests.analysis.comparison.proof_report")
    parser.add_argument("--cars", type=int, default=220, help="cars; two pairs come from each")
    parser.add_argument("--warm-ups", type=int, default=60, help="cars for the warm-up pairs")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--docs", type=Path, default=Path("docs"), help="folder of comparison.md")
    options = parser.parse_args(arguments)
    start = time.monotonic()
    first = proof.FIRST_SEED
    points = proof.run(
        proof.operating_point_pair, range(first, first + options.cars), options.jobs, _tell("cars")
    )
    warm = proof.run(
        proof.warm_up_pair, range(first, first + options.warm_ups), options.jobs, _tell("warm-ups")
    )
    text = figures(points, warm)
    minutes = (time.monotonic() - start) / 60.0
    used = os.times()
    cpu = (used.user + used.system + used.children_user + used.children_system) / 60.0
    text += (
        f"\n\nTook {minutes:.1f} minutes with {options.jobs} processes,"
        f" {cpu:.1f} minutes of processor time.\n"
    )
    print(text)
    claims = [c for outcome in (*points, *warm) for c in outcome.claims]
    plot_power(claims, options.docs / "comparison-power.png")
    plot_truth(claims, options.docs / "comparison-truth.png")
    _write(options.docs / "comparison.md", text)
    return 0


def _tell(name: str) -> Callable[[int, int], None]:
    def tell(done: int, of: int) -> None:
        if done % 20 == 0 or done == of:
            print(f"{name}: {done} of {of}", file=sys.stderr, flush=True)

    return tell


def _group(claims: Sequence[Claim], key: str, changed: bool | None = None) -> list[Claim]:
    """Claims of a quantity (`TOTAL_TRIM`: of all banks), with a change, without, or both."""
    return [
        c
        for c in claims
        if c.key.rstrip("12") == key and (changed is None or c.changed_pair is changed)
    ]


def figures(points: Sequence[Outcome], warm: Sequence[Outcome]) -> str:
    """All figures as Markdown."""
    claims = [c for outcome in (*points, *warm) for c in outcome.claims]
    lines = [
        f"{2 * len(points)} pairs of warm drives ({len(points)} cars, one pair with a change and"
        f" one without), {2 * len(warm)} pairs of cold starts ({len(warm)} cars).",
        "",
        "| quantity, pairs | compared | truth within the 95 % interval | error (rms) |"
        " half width (median) | naive error (rms) | truth within the naive interval |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for key, name in NAMES.items():
        for changed, word in ((True, "changed"), (False, "unchanged"), (None, "all")):
            group = _group(claims, key, changed)
            if group:
                lines.append(_row(f"{name}, {word}", group))
    lines += ["", *_false_changes(points, claims), "", *_power_table(claims)]
    return "\n".join(lines)


def _row(name: str, group: Sequence[Claim]) -> str:
    hits = sum(c.covered for c in group)
    low, high = proof.binomial_interval(hits, len(group))
    error = proof.root_mean_square(c.value - c.truth for c in group)
    naive = proof.root_mean_square(c.naive - c.truth for c in group)
    half = float(np.median([c.half_width for c in group]))
    told = [c for c in group if np.isfinite(c.naive_half)]
    covered = "-"
    if told:
        covered = f"{np.mean([abs(c.naive - c.truth) <= c.naive_half for c in told]):.1%}"
    shown = "-" if np.isnan(naive) else f"{naive:.2f}"
    return (
        f"| {name} | {len(group)} | **{hits / len(group):.1%}** ({low:.1%} to {high:.1%}) |"
        f" {error:.2f} | {half:.2f} | {shown} | {covered} |"
    )


def _false_changes(points: Sequence[Outcome], claims: Sequence[Claim]) -> list[str]:
    pairs = len(points)
    wrong = sum(bool(o.false_signals) for o in points)
    low, high = proof.binomial_interval(wrong, pairs)
    judged = sum(o.judged_signals for o in points)
    signals = Counter(name for o in points for name in o.false_signals)
    cells, of_cells = sum(o.false_cells for o in points), sum(o.judged_cells for o in points)
    trims = _group(claims, "TOTAL_TRIM", False)
    warm = _group(claims, "warm-up", False)
    named = ", ".join(f"{name} {count}" for name, count in signals.most_common()) or "none"
    return [
        f"Without a true change, {wrong} of {pairs} pairs (**{wrong / pairs:.1%}**, {low:.1%} to"
        f" {high:.1%}) list any signal as changed; {sum(signals.values())} of {judged} signals"
        f" judged ({sum(signals.values()) / judged:.2%}: {named}). Cells: {cells} of {of_cells}"
        f" ({cells / of_cells:.2%}). Trims:"
        f" {sum(c.said_changed for c in trims)} of {len(trims)}. Warm-up (one look, no list):"
        f" {sum(c.said_changed for c in warm)} of {len(warm)}. Not comparable for too little"
        f" overlap: {sum(o.not_comparable for o in points)} of {2 * pairs} pairs.",
    ]


def _power_table(claims: Sequence[Claim]) -> list[str]:
    lines = [
        "| true change of the total trim, % points | compared | listed as changed |",
        "| --- | --- | --- |",
    ]
    for low, high, count, share in proof.power(_group(claims, "TOTAL_TRIM", True), EDGES_PCT):
        lines.append(f"| {low:g} to {high:g} | {count} | {share:.0%} |")
    return lines


def plot_power(claims: Sequence[Claim], path: Path) -> None:
    """Share of true changes that are found, by their size."""
    figure = Figure(figsize=(11, 4), layout="constrained")
    for axes, (key, name) in zip(figure.subplots(1, 3), NAMES.items(), strict=True):
        edges = EDGES_PCT if key != "warm-up" else (0.0, 5.0, 10.0, 20.0, 30.0, 50.0, 100.0)
        rows = proof.power(_group(claims, key, True), edges)
        hits = [round(count * share) for _, _, count, share in rows]
        ends = [
            proof.binomial_interval(hit, count)
            for hit, (_, _, count, _) in zip(hits, rows, strict=True)
        ]
        x = [0.5 * (low + min(high, 1.5 * low + 0.5)) for low, high, _, _ in rows]
        y = [share for *_, share in rows]
        spread = [
            [max(0.0, share - e[0]) for share, e in zip(y, ends, strict=True)],
            [max(0.0, e[1] - share) for share, e in zip(y, ends, strict=True)],
        ]
        axes.errorbar(x, y, yerr=spread, fmt="o-", color=BLUE, capsize=3)
        axes.axhline(0.8, color=BLACK, lw=0.6, ls=":")
        axes.set_xlabel(f"size of the true change: {name}", fontsize=8)
        axes.set_ylabel("share found (95 % interval)")
        axes.set_ylim(-0.03, 1.03)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.xaxis.set_minor_formatter(NullFormatter())
    _save(figure, path)


def plot_truth(claims: Sequence[Claim], path: Path) -> None:
    """Estimates and naive differences against the truth."""
    figure = Figure(figsize=(11, 4), layout="constrained")
    for axes, (key, name) in zip(figure.subplots(1, 3), NAMES.items(), strict=True):
        group = _group(claims, key)
        _scatter(axes, group)
        axes.set_title(name, fontsize=9)
        axes.set_xlabel("true change")
        axes.set_ylabel("difference found")
        axes.legend(fontsize=7)
    _save(figure, path)


def _scatter(axes: Axes, group: Sequence[Claim]) -> None:
    truth = np.array([c.truth for c in group])
    if not len(truth):
        return
    naive = np.array([c.naive for c in group])
    axes.plot(truth, naive, "x", color=ORANGE, ms=3, label="plain means over the drive")
    for covered, color, name in (
        (True, GREEN, "cells, interval holds the truth"),
        (False, VERMILLION, "cells, interval does not"),
    ):
        these = [c for c in group if c.covered is covered]
        axes.errorbar(
            [c.truth for c in these],
            [c.value for c in these],
            yerr=[c.half_width for c in these],
            fmt="o",
            ms=2,
            lw=0.5,
            color=color,
            label=name,
        )
    ends = np.array([truth.min(), truth.max()])
    axes.plot(ends, ends, color=BLACK, lw=0.7)
    found = [c.value for c in group]
    axes.set_ylim(min(found) - 8.0, max(found) + 8.0)


def _save(figure: Figure, path: Path) -> None:
    FigureCanvasAgg(figure)
    figure.savefig(path, dpi=100)


def _write(path: Path, text: str) -> None:
    """Put the figures between the marks of the document."""
    document = path.read_text(encoding="utf-8")
    head, rest = document.split(BEGIN, 1)
    _, tail = rest.split(END, 1)
    path.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
