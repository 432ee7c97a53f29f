"""`logbench check`: a recording held against the bands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cli.options import (
    CHANGED,
    Altitude,
    ArchivePlace,
    AsJson,
    Fuel,
    Humidity,
    Regulating,
    SoakHours,
    archive_of,
    listed,
    surroundings_of,
    vehicle_of,
)
from logbench.cli.show import run_shown

if TYPE_CHECKING:
    from logbench.cases.recording import Judged

NOT_JUDGED = 4
"""Exit code where a required check was not judged."""


def check(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    as_json: AsJson = False,
    bands: Annotated[Path | None, typer.Option(help="Your own bands (TOML).")] = None,
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in liters, where the file has none.")
    ] = None,
    regulating: Regulating = None,
    fuel: Fuel = "",
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    require: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CHECK,…",
            help="Checks (or charging:cranking, a part) to be judged, else exit code 4.",
        ),
    ] = None,
    png: Annotated[Path | None, typer.Option(help="Draw the recording to this PNG.")] = None,
    archive: ArchivePlace = None,
) -> int:
    """Hold a recording against the bands; exit code 0, 1 (watch) or 2 (act), and 4 where a check
    that --require names was not judged; 5 where the file is not what was recorded, which is
    said first. Code 0 alone does not say that everything was judged: the
    last line says what was not."""
    from logbench.analysis.run import (
        coverage_text,
        not_judged_of,
        parts_of,
        worst,
    )
    from logbench.cases.recording import check_recording
    from logbench.cli import show, show_findings

    vehicle = vehicle_of(displacement_l=displacement, regulating_degc=regulating, fuel=fuel)
    surroundings = surroundings_of(soak_hours, altitude_m, humidity)
    place = archive_of(archive)
    recording, judged = run_shown(check_recording(file, bands, vehicle, surroundings, place))
    severity = worst(judged.findings).severity
    parts = parts_of(judged.findings)
    lacking = not_judged_of(parts, _names(require or ()))
    for text in judged.changed:
        show.warn(text)
    show.warn(judged.problem)
    if as_json:
        named = {
            "file": str(file),
            "recording_id": recording.facts.recording_id,
            "archive": place,
            "required_not_judged": [f"{part.check}:{part.subject}" for part in lacking],
        }
        print(json.dumps(named | _document(judged), indent=2))
    else:
        show_findings.heading(recording)
        show_findings.engine(judged.engine)
        show_findings.findings(judged.findings)
        text = coverage_text(parts)
        show.say(f"\n{text[0].upper()}{text[1:]}.")
        if judged.learned_from:
            show.say(
                "How far this car moves from drive to drive is learned from "
                f"{judged.learned_from} of its drives in {place}."
            )
    if png is not None:
        from logbench.report.plots import plot_recording

        plot_recording(recording, judged.conditions, judged.findings, png)
    for part in lacking:
        show.warn(f"{part.heading} is required and not judged: {part.reason}")
    if judged.changed:
        return CHANGED
    return NOT_JUDGED if lacking else severity


def _document(judged: Judged) -> dict[str, object]:
    """What was found, for machines."""
    from logbench.analysis.run import coverage_to_dict, finding_to_dict, parts_of, worst

    return {
        "changed": list(judged.changed),
        "severity": worst(judged.findings).severity,
        "coverage": coverage_to_dict(parts_of(judged.findings)),
        "engine": [asdict(told) for told in judged.engine],
        "repeats_learned_from": judged.learned_from,
        "findings": [finding_to_dict(f) for f in judged.findings],
    }


def _names(required: Sequence[str]) -> list[str]:
    """Each name once; commas separate checks, and may stand in the name of a part."""
    return [n for name in required for n in ([name] if ":" in name else listed(name))]
