"""Writes docs/checks.md and its plots from the checks and bands themselves.

    python docs/make_checks.py [FOLDER]

Needs matplotlib (the `test` extra).
"""

from __future__ import annotations

import inspect
import sys
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, cast

from logbench.analysis.applicability import WHOLE
from logbench.analysis.bands import Bands, load_bands
from logbench.analysis.engine import WORDS
from logbench.analysis.findings import ASKS, EXPLANATIONS, UNLESS, range_of
from logbench.analysis.model import Band
from logbench.analysis.run import CheckModule, all_checks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WITHIN, WATCH, ACT = "#009E73", "#E69F00", "#D55E00"
"""Okabe & Ito 2008: color-blind safe."""

_HEAD = """# The checks

Made by `python docs/make_checks.py` from the checks and bands that the program runs; do
not edit by hand.

Every band is a prompt to look further, never a verdict: a maker's specification and licensed
practice come first. Where a band comes from:
`[Pub: X]` read in an excerpt of X; `[Weak: X]` a tutorial or web page only; `[Mem: X]` from memory,
X is where to verify; `[CP]` common practice, no source; `[Calc]` worked out.

A finding is `within`, `watch`, `act` or `not judged`. The number comes with the half width of its
95 % interval, which minds that samples of a drive follow each other. That interval is of the drive;
that of the car is wider, by what an untouched car does from one drive to the next
(`analysis/repeatability.toml`), and `act` is said of the car. It is `act` only where the
whole interval lies outside the watch range, and the evidence carries it (else `watch` at most, and
the finding says why); an interval that reaches from inside `within` to
outside `watch` is `not judged`, as is what was not recorded: then it says what to record next time.

In the plots: green within, orange with stripes watch, red with crosses act.

Your own band file (same form as `logbench/analysis/bands.toml`) replaces fields by key, and tables
`[check.name]` in it are checks of your own: an [expression](expressions.md), the condition it
needs, and a band. Window, report and command line take it from `own_limits.toml` in the folder of
the user's settings (`~/.config/logbench` on Linux), if it is there; `--bands FILE` of `logbench
check` names another. A quantity of its texts is written `{3 to 5 K}` (K is a difference of
temperatures): window and report show it in the units their reader chose.

What the checks make of 300 simulated cars they had never seen, healthy and with each of eleven
faults: [fleet.md](fleet.md). What they make of the open recordings of real cars: the tests in
`tests/analysis`, by name of the check.
"""


def write(folder: Path) -> list[Path]:
    """Write `checks.md` and one plot a check into `folder`; returns what was written."""
    bands = load_bands()
    plots = folder / "checks"
    plots.mkdir(parents=True, exist_ok=True)
    written = [folder / "checks.md"]
    for module in all_checks():
        if used := bands_of(module, bands):
            path = plots / f"{module.KEY}.svg"
            _plot(used, path)
            written.append(path)
    written[0].write_text(text(bands), encoding="utf-8")
    return written


def text(bands: Bands) -> str:
    """The whole page as Markdown."""
    return "\n".join([_HEAD, *(_section(n, m, bands) for n, m in enumerate(all_checks(), 1))])


def bands_of(module: CheckModule, bands: Bands) -> list[Band]:
    """The bands whose keys stand in the source of a check or of its parts."""
    source = cast("ModuleType", module)
    text = "".join(inspect.getsource(m) for m in (source, *getattr(source, "PARTS", ())))
    return [band for band in bands if f'"{band.key}"' in text]


def _section(number: int, module: CheckModule, bands: Bands) -> str:
    source = cast("ModuleType", module)
    lines = [f"## {number}. {module.TITLE}"]
    lines += ["", f"`{module.KEY}`", "", inspect.cleandoc(source.__doc__ or ""), ""]
    parts = getattr(source, "PARTS", ())
    for part in parts:
        lines += [inspect.cleandoc(part.__doc__ or ""), ""]
    if module.INPUTS:
        lines += [f"Leans on: {', '.join(f'`{a}`' for a in module.INPUTS)}.", ""]
    if used := bands_of(module, bands):
        lines += _band_table(used)
        lines += ["", f"![bands of {module.KEY}](checks/{module.KEY}.svg)", ""]
    lines += _explanations(module.KEY)
    lines += _unless(module.KEY)
    lines += _asks(module.KEY)
    return "\n".join(lines)


def _band_table(bands: list[Band]) -> list[str]:
    rows = ["| band | within | watch | basis |", "| --- | --- | --- | --- |"]
    for band in bands:
        within, watch = range_of(band, band.within), range_of(band, band.watch)
        rows.append(f"| `{band.key}`: {band.title} | {within} | {watch} | {band.basis} |")
    return rows


def _explanations(check: str) -> list[str]:
    """What the check's findings may mean, and what tells it apart."""
    lines: list[str] = []
    for found in EXPLANATIONS.get(check, {}).values():
        if not found.when:
            continue
        means = "; ".join(f"{k}. {c.text}" for k, c in enumerate(found.causes, start=1))
        lines += [f"- *{found.when}* may mean, likeliest first: {means}."]
        lines += [f"  - {step}" for step in found.tell_apart]
    return [*lines, ""] if lines else lines


def _unless(check: str) -> list[str]:
    """On which engines it, or a part of it, cannot be judged."""
    rows = UNLESS.get(check, ())
    lines = [
        f"- {'all of it' if row.subject == WHOLE else row.subject}:"
        f" {' or '.join(WORDS[trait][not row.holds] for trait in row.traits)} ({row.why})"
        for row in rows
    ]
    return ["Not judged where the engine model finds:", "", *lines, ""] if lines else []


def _asks(check: str) -> list[str]:
    """What the check asks for where it cannot judge: the sentences that its findings carry."""
    texts = ASKS.get(check, {}).values()
    if not texts:
        return []
    return ["Where it cannot judge it asks:", "", *(f"- {text}" for text in texts), ""]


def _plot(bands: list[Band], path: Path) -> None:
    """One bar a band: within, watch and act side by side on the band's own scale."""
    import matplotlib
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 0.85 * len(bands) + 0.35), layout="constrained")
    axes = figure.subplots(len(bands), 1, squeeze=False)[:, 0]
    for ax, band in zip(axes, bands, strict=True):
        _bar(ax, band)
    with matplotlib.rc_context({"svg.hashsalt": "logbench", "svg.fonttype": "none"}):
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})


def _bar(ax: Axes, band: Band) -> None:
    ends = [x for x in (*band.within, *band.watch) if x is not None]
    low, high = min(ends), max(ends)
    margin = 0.25 * ((high - low) or abs(high) or 1.0)
    left, right = low - margin, high + margin
    ax.barh(0, right - left, left=left, color=ACT, height=1.0, hatch="xx", edgecolor="white")
    for limits, color, hatch in ((band.watch, WATCH, "//"), (band.within, WITHIN, "")):
        start = left if limits[0] is None else limits[0]
        end = right if limits[1] is None else limits[1]
        ax.barh(0, end - start, left=start, color=color, height=1.0, hatch=hatch, edgecolor="white")
    ax.set_xlim(left, right)
    ax.set_yticks([])
    ticks = sorted(set(ends))
    ax.set_xticks(ticks)
    ax.tick_params(labelsize=8)
    for k in range(1, len(ticks)):  # labels that would touch lean away from each other
        if ticks[k] - ticks[k - 1] < 0.06 * (right - left):
            ax.get_xticklabels()[k - 1].set_horizontalalignment("right")
            ax.get_xticklabels()[k].set_horizontalalignment("left")
    unit = f" ({band.unit})" if band.unit else ""
    ax.set_title(f"{band.title}{unit}", fontsize=8, loc="left")


if __name__ == "__main__":
    for made in write(Path(sys.argv[1] if len(sys.argv) > 1 else "docs")):
        print(made)
