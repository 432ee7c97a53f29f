"""How a comparison looks in a terminal. Verdicts carry a word as well as a style."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbench.cli.show import console, say, table, text

if TYPE_CHECKING:
    from rich.table import Table

    from logbench.analysis.comparison.results import Comparison

_STYLES = {
    "changed": "bold yellow",
    "no change shown": "green",
    "not comparable": "dim",
    "resolved": "bold green",
    "improved": "green",
    "unchanged": "",
    "worse": "bold red",
}
_ROOMY = 120
"""Columns of a terminal in which the reasons of signals have a column."""


def comparison(result: Comparison) -> None:
    """Summary, concerns, findings, signals, warm-up, and what to drive."""
    say(result.summary, "bold")
    for concern in result.concerns:
        say(f"Note: {concern.text}", "yellow")
    say("")
    console().print(_findings(result))
    console().print(_signals(result))
    say(result.warm_up.reason)
    say(result.cranking.reason)
    if result.to_drive:
        say("\nTo share more operating cells, drive:", "dim")
        for cell in result.to_drive:
            say(f"  - {cell}", "dim")
    say(
        "\nChange is after less before at equal operating points, with its 95 % interval; the list"
        " of changes is controlled for false discoveries.",
        "dim",
    )


def _titled(title: str) -> Table:
    out = table()
    out.title, out.title_justify, out.expand = title, "left", True
    return out


def _findings(result: Comparison) -> Table:
    out = _titled("Findings")
    out.add_column("check and subject", ratio=2)
    for heading in ("before", "after", "verdict"):
        out.add_column(heading, no_wrap=True)
    out.add_column("why", ratio=3)
    shown = [f for f in result.findings if f.verdict.value != "not comparable"]
    for finding in shown:
        out.add_row(
            text(finding.heading),
            finding.before.verdict.value if finding.before else "",
            finding.after.verdict.value if finding.after else "",
            text(finding.verdict.value, _STYLES[finding.verdict.value]),
            text(finding.reason),
        )
    left = len(result.findings) - len(shown)
    if left:
        out.caption = f"{left} more not comparable: not judged on a side (all of them: --json)"
        out.caption_justify = "left"
    return out


def _signals(result: Comparison) -> Table:
    title = "Signals at equal operating points"
    if result.axis is not None:
        title += f" (engine speed by {result.axis.title})"
    out = _titled(title)
    out.add_column("signal", ratio=2)
    for heading in ("before", "after", "change"):
        out.add_column(heading, no_wrap=True, justify="right")
    out.add_column("verdict", no_wrap=True)
    roomy = console().width >= _ROOMY
    if roomy:
        out.add_column("why", ratio=3)
    for s in result.signals:
        numbers = ["", "", ""]
        if s.change is not None and s.before is not None and s.after is not None:
            numbers = [
                f"{s.before:.3g}",
                f"{s.after:.3g} {s.unit}",
                f"{s.change:+.2g} ± {s.half_width:.2g}",
            ]
        verdict = text(s.verdict.value, _STYLES[s.verdict.value])
        why = [text(s.reason)] if roomy else []
        out.add_row(text(s.title if s.derived else s.key), *numbers, verdict, *why)
    return out
