"""The whole job on the simulated car, in a terminal: record, check, repair, record, check, plot.

The scenario is invented: no such car, shop or customer exists. Nothing here knows what the checks
will say: the fault acts on the simulated engine, and the verdicts come from the recorded bytes.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from logbench.capture.demo_drives import (
    CAR_NAME,
    CONCERN,
    DEMO_SIGNALS,
    FAULT,
    FAULT_TEXT,
    demo_vehicle,
)
from logbench.capture.messages import CaptureRequest, CarFound, Failed, Message, Status, Step
from logbench.errors import StorageError
from logbench.signals.numbers import size_text

if TYPE_CHECKING:
    from rich.console import Console

SPEED = 40
"""Seconds of driving per real second in the terminal; written into the recording's facts."""
WINDOW_SPEED = 6
"""The same in the window: quick enough to see the whole drive, slow enough to follow it."""


def demo_link_url(fault: bool = True, speed: float = 1.0, schedule: str = "test-drive") -> str:
    """The simulated car of the demo, behind a fast simulated adapter."""
    url = f"sim:?car={CAR_NAME}&schedule={schedule}&baud=2000000&latency_ms=1&speed={speed:g}"
    return url + (f"&fault={FAULT}:1" if fault else "")


def _drive_seconds() -> float:
    from logbench.simulator.schedules import schedule

    return float(schedule("test-drive").duration_s)


def _record(title: str, fault: bool, out: Path, console: Console) -> Path:
    from logbench.capture.runner import run_headless

    length_s = _drive_seconds()
    request = CaptureRequest(
        link_url=demo_link_url(fault=fault, speed=SPEED),
        signals=DEMO_SIGNALS,
        out=out,
        vehicle=demo_vehicle(),
        note=CONCERN if fault else "After the repair (invented).",
        limit_s=length_s,
    )
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[detail]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        bar = progress.add_task(title, total=length_s, detail="connecting")

        def show(message: Message) -> None:
            if isinstance(message, Status):
                detail = f"{message.samples:,} samples, {message.samples_per_s:.0f}/s"
                progress.update(bar, completed=message.elapsed_s, detail=detail)
            elif isinstance(message, CarFound):
                progress.update(bar, detail=f"{message.facts.vin} over {message.facts.protocol}")
            elif isinstance(message, Step):
                progress.update(bar, detail=message.text)
            elif isinstance(message, Failed):
                progress.update(bar, detail=message.sentence)

        finished = run_headless(request, show)
    assert finished.path is not None  # a request with `out` always ends with a file
    console.print(f"{title}: {finished.samples:,} samples in {finished.path}")
    return finished.path


def demo_in_window() -> int:
    """Open the window on the faulty simulated car, already recording; returns the exit code."""
    from logbench.app.main import run

    return run(
        link_url=demo_link_url(speed=WINDOW_SPEED),
        start_recording=True,
        vehicle=demo_vehicle(),
        signals=DEMO_SIGNALS,
    )


def _free_folder(wanted: Path) -> Path:
    """`wanted`, or with -2, -3 … behind it, made anew: a recording is never written over."""
    folder, number = wanted, 1
    while folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"The folder {folder} cannot be made: {error.strerror}.") from error
    return folder


def demo_in_terminal(folder: Path | None, console: Console) -> None:
    """Run the demo; files go to `folder` (default: `logbench-demo` here). Raises LogbenchError."""
    from logbench.analysis.run import run_checks
    from logbench.cli.terminal import draw, print_findings
    from logbench.recording.reader import open_recording
    from logbench.report.plots import plot_trims

    folder = _free_folder(folder or Path("logbench-demo"))
    car = demo_vehicle()
    console.print(f"[bold]{car.label}[/bold], simulated behind a simulated adapter on a TCP port.")
    console.print(f"Concern: {CONCERN}")
    console.print(f"Fault put into the simulated engine: {FAULT_TEXT}.")
    console.print(f"The drive is hurried: {SPEED} seconds of driving per second.\n")
    sides = []
    for name, fault in (("before", True), ("after", False)):
        if not fault:
            console.print("\n[bold]The repair[/bold]: the hose is renewed; the same drive again.\n")
        path = _record(f"Drive {name} the repair", fault, folder / f"{name}.parquet", console)
        recording = open_recording(path)
        findings = run_checks(recording)
        print_findings(findings, console)
        draw(recording, findings, folder / f"{name}.png")
        sides.append(findings)
    plot_trims(sides[0], sides[1], folder / "fuel-trim-before-and-after.png")
    console.print(f"\nEverything is in {folder.resolve()}:")
    for path in sorted(folder.iterdir()):
        console.print(f"  {path.name}  ({size_text(path.stat().st_size)})")
    console.print(f"\nCheck one again: logbench check {folder / 'before.parquet'}")
    console.print(
        f"Open it in the window, where there is a screen: logbench {folder / 'before.parquet'}"
    )
