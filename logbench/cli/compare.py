"""`logbench compare`: before and after a repair, in a terminal, as JSON, as plots.

Exit codes: 0 nothing has changed that matters, or only for the better (a finding resolved or
improved, none worse); 1 something has changed at equal operating points that no finding calls
better or worse; 2 a finding is worse; 3 it could not be compared: a file that cannot be read, sides
that may be different cars and nobody has said otherwise, or nothing in common to compare; 5 a
recording is not what was recorded, which is said first.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import CHANGED, ArchivePlace, AsJson, SameCar, archive_of
from logbench.cli.show import console, run_shown, say, table, text, warn
from logbench.errors import LogbenchError, UsageError

if TYPE_CHECKING:
    from rich.table import Table

    from logbench.analysis.comparison.overlay import Overlay
    from logbench.analysis.comparison.results import Comparison
    from logbench.analysis.view import View
    from logbench.cases.compare import Compared

_SUMMARIZED = ("SHRTFT1", "LONGFT1", "RPM")
"""Signals of the overlay plot, as far as both sides hold them."""
_STYLES = {
    "changed": "bold yellow",
    "no change shown": "green",
    "not comparable": "dim",
    "resolved": "bold green",
    "improved": "green",
    "within limits on both": "",
    "worse": "bold red",
    "new": "bold red",
}
"""Of verdicts, which are told in words too."""
_ROOMY = 120
"""Columns of a terminal in which the reasons of signals have a column."""


def compare(
    files: Annotated[list[Path], typer.Argument(help="BEFORE AFTER, or all of the before side.")],
    after: Annotated[
        list[Path] | None, typer.Option("--after", help="A recording after; may be repeated.")
    ] = None,
    as_json: AsJson = False,
    png: Annotated[Path | None, typer.Option(help="Folder for plots.")] = None,
    same_car: SameCar = False,
    archive: ArchivePlace = None,
) -> int:
    """Compare before with after at equal operating points.

    Exit code 0 (nothing that matters, or better), 1 (changed), 2 (worse), 3 (no comparison), 5 (a
    file is not what was recorded).
    """
    from logbench.cases.compare import compare_files

    before, later = list(files), list(after or [])
    if not later:
        if len(before) != 2:
            raise UsageError(
                "Name one recording before and one after; for more, put --after FILE before each"
                " recording of the after side."
            )
        later = [before.pop()]
    place = archive_of(archive)
    compared = run_shown(compare_files(tuple(before), tuple(later), place))
    if not as_json:
        confirm(compared, same_car)
    drawn = png is not None and (same_car or not compared.result.needs_confirmation)
    paths = draw_comparison(compared, png) if png is not None and drawn else []
    if as_json:
        return _print_json(compared, same_car, place)
    code = show_compared(compared)
    if paths:
        say(f"\nPlots: {', '.join(str(path) for path in paths)}")
    return code


def confirm(compared: Compared, same_car: bool) -> None:
    """Raises LogbenchError when the sides may be different cars; `same_car`: the user says that
    they are not, which is remembered."""
    for changed in compared.changed:
        warn(changed)
    warn(compared.problem)
    if compared.result.needs_confirmation and not same_car:
        for concern in compared.result.concerns:
            say(concern.text, "bold yellow")
        raise LogbenchError(
            "These may be different cars, so nothing is compared: choose other files, or say that"
            " it is the same car with --same-car."
        )
    _remember(compared, same_car)


def show_compared(compared: Compared) -> int:
    """Print a comparison that is of one car; returns the exit code."""
    show_comparison(compared.result)
    for sentence in compared.powers:
        say(sentence, "dim")
    return CHANGED if compared.changed else exit_code(compared.result)


def _remember(compared: Compared, same_car: bool) -> None:
    from logbench.cases.cars import AnswerCars

    if same_car and compared.result.needs_confirmation:
        run_here(AnswerCars(pairs=compared.pairs, same=True))


def show_comparison(result: Comparison) -> None:
    """Summary, concerns, findings, signals, warm-up, and what to drive."""
    say(result.summary, "bold")
    for concern in result.concerns:
        say(f"Note: {concern.text}", "yellow")
    say("")
    console().print(_findings_table(result))
    console().print(_signals_table(result))
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


def _findings_table(result: Comparison) -> Table:
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


def _signals_table(result: Comparison) -> Table:
    from logbench.signals.units import METRIC  # brings numpy

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
                METRIC.figure(s.before),
                METRIC.figure(s.after, s.unit),
                METRIC.figure(s.change, "", s.half_width, signed=True),
            ]
        verdict = text(s.verdict.value, _STYLES[s.verdict.value])
        why = [text(s.reason)] if roomy else []
        out.add_row(text(s.title if s.derived else s.key), *numbers, verdict, *why)
    return out


def _print_json(compared: Compared, same_car: bool, archive: str) -> int:
    result = compared.result
    refused = result.needs_confirmation and not same_car
    _remember(compared, same_car)
    code = CHANGED if compared.changed else exit_code(result)
    code = LogbenchError.exit_code if refused else code
    before, after = ([str(file) for file in side] for side in compared.files)
    concerns = {"concerns": [concern.text for concern in result.concerns], "refused": True}
    document = {
        "before": before,
        "after": after,
        "exit_code": code,
        "confirmed": same_car,
        "archive": archive,
        "changed": list(compared.changed),
        **(concerns if refused else result.to_dict()),
    }
    print(json.dumps(document, indent=2, allow_nan=False))
    return code


def exit_code(result: Comparison) -> int:
    """0 nothing changed or better, 1 changed otherwise, or out of range before and not judged
    after, 2 worse, 3 not comparable."""
    from logbench.analysis.comparison.results import FOR_THE_BETTER, FOR_THE_WORSE

    if not result.comparable:
        return 3
    verdicts = {finding.verdict for finding in result.findings}
    if not verdicts.isdisjoint(FOR_THE_WORSE):
        return 2
    if result.lost:
        return 1
    if not verdicts.isdisjoint(FOR_THE_BETTER):
        return 0
    return int(result.warm_up.changed or any(s.changed for s in result.signals))


def draw_comparison(compared: Compared, folder: Path) -> list[Path]:
    """Interval bars, grids of differences of the derived and the changed signals, overlays and the
    warm-up as PNG files in `folder`. Raises StorageError."""
    from logbench.recording.storage import storage_trouble
    from logbench.report import plots
    from logbench.system.private import make_folder

    result = compared.result
    with storage_trouble(folder):
        make_folder(folder)
    paths = [folder / "intervals.png"]
    sides = plots.sides_title(compared.drives)
    plots.plot_intervals(result, paths[0], sides)
    for s in result.signals:
        if s.cells and (s.derived or s.changed):
            paths.append(folder / f"cells-{s.key.lower()}.png")
            plots.plot_cells(result, s.key, paths[-1], sides)
    if result.warm_up.before or result.warm_up.after:
        paths.append(folder / "warm-up.png")
        plots.plot_warm_up(result, paths[-1], sides)
    overlays = _overlays(*(views[0] for views in compared.views))
    if overlays:
        paths.append(folder / "overlay.png")
        plots.plot_overlays(overlays, paths[-1], sides)
    return paths


def _overlays(first: View, second: View) -> list[Overlay]:
    """Two recordings, placed by the engine start where both show it."""
    from logbench.analysis.comparison.overlay import By, overlay

    started = first.run_start_ns is not None and second.run_start_ns is not None
    by = By.ENGINE_START if started else By.TIME
    held = [s for s in _SUMMARIZED if not first.missing(s) and not second.missing(s)]
    return [overlay(first, second, name, by) for name in held]
