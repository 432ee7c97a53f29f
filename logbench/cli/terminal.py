"""What the command line shows and asks of the packages below; no window, no Qt."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from logbench.capture.messages import (
    Batch,
    CaptureRequest,
    CarFound,
    Failed,
    Finished,
    Happened,
    Message,
    NotChosen,
    NotStarted,
    Started,
    Status,
    Step,
)
from logbench.errors import LogbenchError, StorageError, UsageError
from logbench.recording.model import Vehicle
from logbench.signals.numbers import range_text, size_text

if TYPE_CHECKING:
    from rich.console import Console

    from logbench.analysis.model import Finding
    from logbench.recording.reader import Recording
    from logbench.recording.surroundings import Surroundings

VERDICT_STYLE = {"within": "green", "watch": "yellow", "act": "bold red", "not judged": "dim"}
"""Terminal styles; the word is always printed too, so colour is never the only cue."""


def default_out() -> Path:
    """`drive-YYYYMMDD-HHMMSS.parquet` in the present folder."""
    return Path(time.strftime("drive-%Y%m%d-%H%M%S.parquet"))


def vehicle_from(
    label: str,
    displacement_l: float | None,
    cylinders: int | None,
    regulating_degc: float | None,
) -> Vehicle:
    """Vehicle facts from options; UsageError names the option and its legal interval."""
    from pydantic import ValidationError

    try:
        return Vehicle(
            label=label,
            displacement_l=displacement_l,
            cylinders=cylinders,
            regulating_temp_degc=regulating_degc,
        )
    except ValidationError as error:
        problem = error.errors()[0]
        name = ".".join(str(part) for part in problem["loc"])
        raise UsageError(f"The vehicle's {name}: {problem['msg'].lower()}.") from None


def surroundings_from(
    soak_hours: float | None, altitude_m: float | None, humidity_pct: float | None
) -> Surroundings:
    """What a person states of the surroundings; UsageError names the option and its interval."""
    from pydantic import ValidationError

    from logbench.recording.surroundings import Surroundings

    try:
        return Surroundings(soak_hours=soak_hours, altitude_m=altitude_m, humidity_pct=humidity_pct)
    except ValidationError as error:
        problem = error.errors()[0]
        option = {"humidity_pct": "humidity"}.get(str(problem["loc"][0]), str(problem["loc"][0]))
        text = f"--{option.replace('_', '-')}: {problem['msg'].lower()}."
        raise UsageError(text) from None


def plan_unattended(
    request: CaptureRequest,
    folder: Path,
    budget_bytes: int,
    stop_below_v: float,
    volt_every_s: float,
) -> CaptureRequest:
    """The request made to run for days into `folder`, with markers set by the usual rules."""
    from logbench.capture.messages import DEFAULT_RULES, Unattended

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"The folder {folder} cannot be made: {error.strerror}.") from error
    plan = Unattended(
        budget_bytes=budget_bytes, stop_below_v=stop_below_v, volt_every_s=volt_every_s
    )
    return replace(request, out=folder / "drive.parquet", unattended=plan, rules=DEFAULT_RULES)


def verify_files(files: Sequence[Path], console: Console) -> int:
    """Say of each recording whether its samples still have their checksum; 3 if one has not."""
    from logbench.recording.reader import verify

    words = {
        True: ("intact: the samples are what was recorded", "green"),
        False: ("CHANGED: the samples are not what was recorded", "bold red"),
        None: ("not known: the file carries no checksum", "yellow"),
    }
    found = {file: verify(file) for file in files}
    for file, state in found.items():
        text, style = words[state]
        console.print(Text(f"{file}: {text}", style=style))
    return 0 if all(state is True for state in found.values()) else LogbenchError.exit_code


def _clock(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def status_text(status: Status) -> str:
    """One live line: elapsed, samples, rate, size, link."""
    return (
        f"{_clock(status.elapsed_s)}  {status.samples:,} samples  "
        f"{status.samples_per_s:.0f} samples/s  {size_text(status.size_bytes)}  link {status.link}"
    )


def _describe(message: Message) -> str | None:
    """The line to print for good, or None where only the live line changes."""
    match message:
        case Step(text=text):
            return text
        case CarFound(facts=facts, signals=signals, unsupported=missing):
            car = facts.vin or "no VIN read"
            line = f"Car answers: {car}, {facts.protocol}; {len(signals)} signals"
            return line + (f"; not reported by this car: {', '.join(missing)}" if missing else "")
        case Happened(t_ns=t_ns, kind=kind, text=text):
            return f"{_clock(t_ns / 1e9)}  {kind}{': ' + text if text else ''}"
        case (
            Failed(sentence=sentence) | NotStarted(sentence=sentence) | NotChosen(sentence=sentence)
        ):
            return sentence
        case Started() | Batch() | Status() | Finished():
            return None


def record_with_progress(
    request: CaptureRequest,
    console: Console,
    on_status: Callable[[Status], None] | None = None,
) -> Finished:
    """Record until the limit or Ctrl-C, with a live line; raises LogbenchError."""
    from logbench.capture.runner import run_headless

    with Live(console=console, refresh_per_second=4, transient=True) as live:

        def show(message: Message) -> None:
            line = _describe(message)
            if line is not None and not isinstance(message, Failed):
                live.console.print(line)
            if isinstance(message, Status):
                live.update(Text(status_text(message)))
                if on_status is not None:
                    on_status(message)

        finished = run_headless(request, show)
    if finished.path is not None and finished.others:
        console.print(
            f"Recorded {finished.others + 1} drives, {_clock(finished.elapsed_s)} and "
            f"{finished.samples:,} samples in all; the last: {finished.path}"
        )
    elif finished.path is not None:
        size = size_text(finished.path.stat().st_size)
        console.print(
            f"Recorded {_clock(finished.elapsed_s)}, {finished.samples:,} samples, {size}: "
            f"{finished.path}"
        )
    return finished


def findings_table(findings: Sequence[Finding], width: int) -> Table:
    """The findings as a table for a terminal `width` characters wide.

    Verdicts carry a word as well as a style; where there is room, number and band get columns.
    """
    from logbench.analysis.finding_text import number_text
    from logbench.signals.units import unit_text

    roomy = width >= 120
    table = Table(pad_edge=False, expand=True, box=SIMPLE_HEAD)
    table.add_column("check and subject", ratio=2)
    table.add_column("verdict", no_wrap=True)
    if roomy:
        table.add_column("number", no_wrap=True, justify="right")
        table.add_column("band", no_wrap=True)
    table.add_column("why", ratio=4 if roomy else 3)
    for finding in findings:
        band = finding.band
        numbers = [
            number_text(finding).replace("−", "-"),  # not every terminal has it
            "" if band is None else range_text(band.within, unit_text(band.unit)),
        ]
        table.add_row(
            finding.heading,
            Text(finding.verdict.value, style=VERDICT_STYLE[finding.verdict.value]),
            *(numbers if roomy else []),
            finding.reason,
        )
    return table


def print_findings(findings: Sequence[Finding], console: Console) -> None:
    """Table of findings, then for each one out of its band what it may mean and how to tell."""
    console.print(findings_table(findings, console.width))
    explained: set[tuple[str, ...]] = set()
    for finding in findings:
        if finding.verdict.severity == 0:
            continue
        style = VERDICT_STYLE[finding.verdict.value]
        console.print(Text(f"\n{finding.subject}: {finding.verdict.value}", style=style))
        if finding.causes in explained:
            console.print("  may mean: the same as above")
            continue
        if finding.causes:
            explained.add(finding.causes)
            _print_list("may mean, likeliest first:", finding.causes, console)
        if finding.next_steps:
            _print_list("to tell them apart:", finding.next_steps, console)
        if finding.band is not None:
            console.print(f"  basis of the band: {finding.band.basis}", style="dim")
    lacking = [f for f in findings if f.verdict.value == "not judged" and f.next_steps]
    if lacking:
        console.print("\nTo judge the rest, record:", style="dim")
        for step in dict.fromkeys(step for f in lacking for step in f.next_steps):
            console.print(f"  - {step}", style="dim")
    console.print(
        "\nBands are rules of thumb: the maker's specification and licensed practice come first.",
        style="dim",
    )


def _print_list(title: str, lines: Sequence[str], console: Console) -> None:
    console.print(f"  {title}")
    grid = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        grid.add_row("-", line)
    console.print(Padding(grid, (0, 0, 0, 4)))


def check_file(
    file: Path,
    console: Console,
    *,
    as_json: bool = False,
    bands_file: Path | None = None,
    displacement_l: float | None = None,
    regulating_degc: float | None = None,
    surroundings: Surroundings | None = None,
    png: Path | None = None,
) -> int:
    """Check one recording and print the findings; returns 0, 1 (watch) or 2 (act)."""
    from logbench.analysis.bands import load_bands
    from logbench.analysis.run import finding_to_dict, run_checks
    from logbench.recording.reader import open_recording

    recording = open_recording(file)
    stated = vehicle_from("", displacement_l, None, regulating_degc)
    if stated.displacement_l is not None:
        recording.facts.vehicle.displacement_l = stated.displacement_l
    if stated.regulating_temp_degc is not None:
        recording.facts.vehicle.regulating_temp_degc = stated.regulating_temp_degc
    if surroundings is not None:
        recording.facts.extra.update(surroundings.extra())
    findings = run_checks(recording, load_bands(bands_file))
    severity = max((f.verdict.severity for f in findings), default=0)
    if as_json:
        document = {
            "file": str(file),
            "recording_id": recording.facts.recording_id,
            "severity": severity,
            "findings": [finding_to_dict(f) for f in findings],
        }
        print(json.dumps(document, indent=2))
    else:
        _print_heading(recording, console)
        print_findings(findings, console)
    if png is not None:
        draw(recording, findings, png)
    return severity


def draw(recording: Recording, findings: Sequence[Finding], png: Path) -> None:
    """Plot a recording with its conditions and the findings' evidence to a PNG."""
    from logbench.analysis.conditions import find_conditions
    from logbench.report.plots import plot_recording

    plot_recording(recording, find_conditions(recording), findings, png)


def _print_heading(recording: Recording, console: Console) -> None:
    facts = recording.facts
    car = facts.vehicle.label or facts.vehicle.vin or "unnamed car"
    origin = "simulated car" if facts.link.simulated else facts.link.adapter
    parts = [car, facts.started_utc, _clock(recording.duration_ns / 1e9), origin]
    console.print("  ".join(part for part in parts if part), style="bold")


def print_signals(words: Sequence[str], console: Console) -> None:
    """List the signals whose acronym, PID or name holds every word; LogbenchError when none."""
    from logbench.signals.table import table

    wanted = [word.lower() for word in words]
    rows = [
        signal
        for signal in table()
        if all(
            word in f"{signal.acronym} {signal.name} 0x{signal.pid:02x} {signal.pid:02x}".lower()
            for word in wanted
        )
    ]
    if not rows:
        raise LogbenchError(
            f"No signal holds '{' '.join(words)}'; 'logbench signals' lists all of them."
        )
    out = Table(pad_edge=False)
    for heading in ("acronym", "PID", "name", "unit", "range"):
        out.add_column(heading)
    for signal in rows:
        out.add_row(
            signal.acronym,
            f"{signal.pid:02X}",
            signal.name,
            signal.unit,
            f"{signal.minimum:g} to {signal.maximum:g}",
        )
    console.print(out)


def serve_simulated(options: str, host: str, port: int, pty: bool, console: Console) -> None:
    """Serve a simulated car until Ctrl-C, saying how to reach it."""
    from logbench.simulator.serve import main_serve

    main_serve(options, console.print, host=host, port=port, pty=pty)
