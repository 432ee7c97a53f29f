"""`logbench check`: a recording held against the bands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import (
    Altitude,
    AsJson,
    Humidity,
    Regulating,
    SoakHours,
    surroundings_of,
    vehicle_of,
)


def check(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    as_json: AsJson = False,
    bands: Annotated[Path | None, typer.Option(help="Your own bands (TOML).")] = None,
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in litres, where the file has none.")
    ] = None,
    regulating: Regulating = None,
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    png: Annotated[Path | None, typer.Option(help="Draw the recording to this PNG.")] = None,
) -> int:
    """Hold a recording against the bands; exit code 0, 1 (watch) or 2 (act)."""
    from logbench.analysis.run import finding_to_dict, worst
    from logbench.cases.recording import CheckRecording
    from logbench.cli import show, show_findings

    vehicle = vehicle_of(displacement_l=displacement, regulating_degc=regulating)
    surroundings = surroundings_of(soak_hours, altitude_m, humidity)
    recording, judged = run_here(CheckRecording(file, bands, vehicle, surroundings))
    severity = worst(judged.findings).severity
    show.warn(judged.problem)
    if as_json:
        document = {
            "file": str(file),
            "recording_id": recording.facts.recording_id,
            "severity": severity,
            "findings": [finding_to_dict(f) for f in judged.findings],
        }
        print(json.dumps(document, indent=2))
    else:
        show_findings.heading(recording)
        show_findings.findings(judged.findings)
    if png is not None:
        from logbench.report.plots import plot_recording

        plot_recording(recording, judged.conditions, judged.findings, png)
    return severity
