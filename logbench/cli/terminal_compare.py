"""What `logbench compare` shows: before and after a repair, in a terminal, as JSON, as plots.

Exit codes: 0 nothing has changed that matters, or only for the better (a finding resolved or
improved, none worse); 1 something has changed at equal operating points that no finding calls
better or worse; 2 a finding is worse; 3 it could not be compared: a file that cannot be read, sides
that may be different cars and nobody has said otherwise, or nothing in common to compare.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from logbench.errors import LogbenchError, StorageError

if TYPE_CHECKING:
    from rich.console import Console

    from logbench.analysis.comparison.overlay import Overlay
    from logbench.analysis.comparison.results import Comparison
    from logbench.recording.reader import Recording

STYLE = {
    "changed": "bold yellow",
    "no change shown": "green",
    "not comparable": "dim",
    "resolved": "bold green",
    "improved": "green",
    "unchanged": "",
    "worse": "bold red",
}
"""Terminal styles; the word is always printed too, so colour is never the only cue."""

SUMMARISED = ("SHRTFT1", "LONGFT1", "RPM")
"""Signals of the overlay plot, as far as both sides hold them."""


def compare_files(
    before: list[Path],
    after: list[Path],
    console: Console,
    *,
    as_json: bool = False,
    png_dir: Path | None = None,
    same_car: bool = False,
    keep: Callable[[Comparison], None] | None = None,
) -> int:
    """Compare recordings and print the verdicts; returns the exit code of the module's docstring.

    `same_car`: the user says that it is one car although its facts differ. `keep`: called with
    what was shown, not when it was refused. Raises `LogbenchError` (exit code 3) for files that
    cannot be read and a folder that cannot be written.
    """
    from logbench.analysis.comparison.compare import compare
    from logbench.analysis.comparison.identity import refuse_same
    from logbench.recording.reader import open_recording

    sides = [[open_recording(file) for file in files] for files in (before, after)]
    refuse_same(sides[0], sides[1])
    result = compare(sides[0], sides[1])
    refused = result.needs_confirmation and not same_car
    code = 3 if refused else exit_code(result)
    if as_json:
        document = {
            "before": [str(file) for file in before],
            "after": [str(file) for file in after],
            "exit_code": code,
            "confirmed": same_car,
            **({"concerns": _concerns(result), "refused": True} if refused else result.to_dict()),
        }
        print(json.dumps(document, indent=2, allow_nan=False))
    elif refused:
        for text in _concerns(result):
            console.print(Text(text, style="bold yellow"))
    else:
        print_comparison(result, console)
    if refused:
        raise_unconfirmed(as_json)
        return code
    if keep is not None:
        keep(result)
    if png_dir is not None:
        paths = draw_comparison(result, sides, png_dir)
        if not as_json:
            console.print(f"\nPlots: {', '.join(str(path) for path in paths)}")
    return code


def raise_unconfirmed(as_json: bool) -> None:
    """The refusal as an error for people; machines read it in the document."""
    if not as_json:
        raise LogbenchError(
            "These may be different cars, so nothing is compared: choose other files, or say that"
            " it is the same car with --same-car."
        )


def exit_code(result: Comparison) -> int:
    """0 nothing relevant or better, 1 changed otherwise, 2 worse, 3 not comparable."""
    from logbench.analysis.comparison.results import FindingVerdict

    if not result.comparable:
        return 3
    verdicts = {finding.verdict for finding in result.findings}
    if FindingVerdict.WORSE in verdicts:
        return 2
    if verdicts & {FindingVerdict.RESOLVED, FindingVerdict.IMPROVED}:
        return 0
    return int(result.warm_up.changed or any(s.relevant for s in result.signals))


def _concerns(result: Comparison) -> list[str]:
    return [concern.text for concern in result.concerns]


def print_comparison(result: Comparison, console: Console) -> None:
    """Summary, concerns, findings, signals, warm-up, and what to drive."""
    console.print(Text(result.summary, style="bold"))
    for text in _concerns(result):
        console.print(Text(f"Note: {text}", style="yellow"))
    console.print()
    console.print(_findings_table(result))
    console.print(_signals_table(result, console.width))
    console.print(result.warm_up.reason)
    console.print(result.cranking.reason)
    if result.to_drive:
        console.print("\nTo share more operating cells, drive:", style="dim")
        for text in result.to_drive:
            console.print(f"  - {text}", style="dim")
    console.print(
        "\nChange is after less before at equal operating points, with its 95 % interval; the list"
        " of changes is controlled for false discoveries.",
        style="dim",
    )


def _findings_table(result: Comparison) -> Table:
    table = Table(
        title="Findings", title_justify="left", pad_edge=False, expand=True, box=SIMPLE_HEAD
    )
    table.add_column("check and subject", ratio=2)
    for heading in ("before", "after", "verdict"):
        table.add_column(heading, no_wrap=True)
    table.add_column("why", ratio=3)
    told = [f for f in result.findings if f.verdict.value != "not comparable"]
    for finding in told:
        table.add_row(
            finding.heading,
            finding.before.verdict.value if finding.before else "",
            finding.after.verdict.value if finding.after else "",
            Text(finding.verdict.value, style=STYLE[finding.verdict.value]),
            finding.reason,
        )
    left = len(result.findings) - len(told)
    if left:
        table.caption = f"{left} more not comparable: not judged on a side (all of them: --json)"
        table.caption_justify = "left"
    return table


def _signals_table(result: Comparison, width: int) -> Table:
    """`width` of the terminal, characters: the reasons have a column where there is room."""
    title = "Signals at equal operating points"
    if result.axis is not None:
        title += f" (engine speed by {result.axis.title})"
    table = Table(title=title, title_justify="left", pad_edge=False, expand=True, box=SIMPLE_HEAD)
    table.add_column("signal", ratio=2)
    for heading in ("before", "after", "change"):
        table.add_column(heading, no_wrap=True, justify="right")
    table.add_column("verdict", no_wrap=True)
    roomy = width >= 120
    if roomy:
        table.add_column("why", ratio=3)
    for s in result.signals:
        name = s.title if s.derived else s.key
        numbers = ["", "", ""]
        if s.change is not None and s.before is not None and s.after is not None:
            numbers = [
                f"{s.before:.3g}",
                f"{s.after:.3g} {s.unit}",
                f"{s.change:+.2g} ± {s.half_width:.2g}",
            ]
        verdict = Text(s.verdict.value, style=STYLE[s.verdict.value])
        table.add_row(name, *numbers, verdict, *([s.reason] if roomy else []))
    return table


def draw_comparison(
    result: Comparison, sides: Sequence[Sequence[Recording]], folder: Path
) -> list[Path]:
    """Interval bars, grids of differences of the derived and the changed signals, overlays and the
    warm-up as PNG files in `folder`; raises StorageError."""
    from logbench.report import plots

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"The folder {folder} cannot be made: {error.strerror}.") from error
    paths = [folder / "intervals.png"]
    plots.plot_intervals(result, paths[0])
    for s in result.signals:
        if s.cells and (s.derived or s.relevant):
            paths.append(folder / f"cells-{s.key.lower()}.png")
            plots.plot_cells(result, s.key, paths[-1])
    if result.warm_up.before or result.warm_up.after:
        paths.append(folder / "warm-up.png")
        plots.plot_warm_up(result, paths[-1])
    overlays = _overlays(sides)
    if overlays:
        paths.append(folder / "overlay.png")
        plots.plot_overlays(overlays, paths[-1])
    return paths


def _overlays(sides: Sequence[Sequence[Recording]]) -> list[Overlay]:
    """The first recordings of both sides, placed by the engine start where both show it."""
    from logbench.analysis.comparison.overlay import By, overlay
    from logbench.analysis.view import View

    first, second = (View(side[0]) for side in sides)
    started = first.run_start_ns is not None and second.run_start_ns is not None
    by = By.ENGINE_START if started else By.TIME
    held = [s for s in SUMMARISED if not first.missing(s) and not second.missing(s)]
    return [overlay(first, second, name, by) for name in held]
