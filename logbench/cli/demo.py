"""`logbench demo`: the whole job on the simulated car: record, check, repair, record, check, plot.

The scenario is invented: no such car, shop or customer exists. Nothing here knows what the checks
will say: the fault acts on the simulated engine, and the verdicts come from the recorded bytes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.show import say

SPEED = 40
"""Seconds of driving per real second in the terminal; written into the recording's facts."""
WINDOW_SPEED = 6
"""The same in the window: quick enough to see the whole drive, slow enough to follow it."""


def demo(
    headless: Annotated[
        bool, typer.Option("--headless", help="In the terminal, even where a window could open.")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the files.")] = None,
) -> int:
    """See the whole job on the simulated car, live and recorded, before and after a repair."""
    from logbench.app.preflight import window_obstacle

    obstacle = None if headless else window_obstacle()
    if not headless and obstacle is None:
        return _in_window()
    if obstacle:
        say(f"No window here: {obstacle} The demo runs in the terminal instead.\n")
    _in_terminal(out or Path("logbench-demo"))
    return 0


def demo_link_url(fault: bool = True, speed: float = 1.0) -> str:
    """The simulated car of the demo, behind a fast simulated adapter."""
    from logbench.capture.demo_drives import CAR_NAME, FAULT

    url = f"sim:?car={CAR_NAME}&schedule=test-drive&baud=2000000&latency_ms=1&speed={speed:g}"
    return url + (f"&fault={FAULT}:1" if fault else "")


def _in_window() -> int:
    """The window on the faulty simulated car, already recording; returns the exit code."""
    from logbench.app.main import run
    from logbench.capture.demo_drives import DEMO_SIGNALS, demo_vehicle

    return run(
        link_url=demo_link_url(speed=WINDOW_SPEED),
        start_recording=True,
        vehicle=demo_vehicle(),
        signals=DEMO_SIGNALS,
    )


def _in_terminal(wanted: Path) -> None:
    """Files go to the folder wanted, or to one with a number behind it. Raises LogbenchError."""
    from logbench.capture.demo_drives import CONCERN, FAULT_TEXT, demo_vehicle
    from logbench.cases.recording import check_recording
    from logbench.cli import show_findings
    from logbench.report.plots import plot_recording, plot_trims, sides_title
    from logbench.signals.numbers import size_text

    folder = _free_folder(wanted)
    say(f"{demo_vehicle().label}, simulated behind a simulated adapter on a TCP port.", "bold")
    say(f"Concern: {CONCERN}")
    say(f"Fault put into the simulated engine: {FAULT_TEXT}.")
    say(f"The drive is hurried: {SPEED} seconds of driving per second.\n")
    sides, drives = [], []
    for name, fault in (("before", True), ("after", False)):
        if not fault:
            say("\nThe repair: the hose is renewed; the same drive again.\n", "bold")
        path = _drive(name, fault, folder)
        recording, judged = run_here(check_recording(path))
        show_findings.findings(judged.findings)
        plot_recording(recording, judged.conditions, judged.findings, folder / f"{name}.png")
        sides.append(judged.findings)
        drives.append([(recording.facts, path.name)])
    picture = folder / "fuel-trim-before-and-after.png"
    plot_trims(sides[0], sides[1], picture, sides_title(drives))
    say(f"\nEverything is in {folder.resolve()}:")
    for path in sorted(folder.iterdir()):
        say(f"  {path.name}  ({size_text(path.stat().st_size)})")
    say(f"\nCheck one again: logbench check {folder / 'before.parquet'}")
    say(f"Open it in the window, where there is a screen: logbench {folder / 'before.parquet'}")


def _drive(name: str, fault: bool, folder: Path) -> Path:
    from logbench.capture.demo_drives import CONCERN, DEMO_SIGNALS, demo_vehicle
    from logbench.capture.messages import CaptureRequest
    from logbench.cli.record import record_shown
    from logbench.simulator.driver import schedule

    title = f"Drive {name} the repair"
    finished = record_shown(
        CaptureRequest(
            link_url=demo_link_url(fault=fault, speed=SPEED),
            signals=DEMO_SIGNALS,
            out=folder / f"{name}.parquet",
            vehicle=demo_vehicle(),
            note=CONCERN if fault else "After the repair (invented).",
            limit_s=schedule("test-drive").duration_s,
        )
    )
    assert finished.path is not None  # a request with `out` always ends with a file
    say(f"{title}: {finished.samples:,} samples in {finished.path}")
    return finished.path


def _free_folder(wanted: Path) -> Path:
    """A folder made anew: a recording is never written over."""
    from logbench.recording.storage import numbered, storage_trouble
    from logbench.system.private import make_folder

    for folder in numbered(wanted):
        if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
            break
    with storage_trouble(folder):
        make_folder(folder)
    return folder
