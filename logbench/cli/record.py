"""`logbench record`: a drive to a Parquet file, with a live line."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cli.options import (
    Altitude,
    Humidity,
    Regulating,
    SoakHours,
    duration_s,
    listed,
    surroundings_of,
    vehicle_of,
)
from logbench.cli.show import clock, console, say, text
from logbench.errors import UsageError
from logbench.foreign import fill, joined
from logbench.vehicle.links.schemes import forms

if TYPE_CHECKING:
    from logbench.capture.messages import CaptureRequest, Finished, Message, Status


def record(
    link: Annotated[
        str, typer.Option(help=f"The way to the car: {forms(replay=True)}.", show_default=False)
    ] = "",
    signals: Annotated[
        str, typer.Option(help="Acronyms with commas between; left out: a useful dozen.")
    ] = "",
    limit: Annotated[str, typer.Option("--for", help="How long: 90s, 10min, 1h.")] = "",
    out: Annotated[Path | None, typer.Option(help="The file to write (.parquet).")] = None,
    second: Annotated[
        Path | None,
        typer.Option(
            help="A folder on another disk, to which the recording is mirrored meanwhile."
        ),
    ] = None,
    go_on: Annotated[
        Path | None,
        typer.Option(
            help="The journal (.parquet.journal) of a recording that broke off, to go on with in "
            "the same recording, over its own link and with its own signals unless others are "
            "given; --for counts from its start."
        ),
    ] = None,
    car: Annotated[str, typer.Option(help="A name for the car, kept in the file.")] = "",
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in liters, for the airflow check.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    regulating: Regulating = None,
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    note: Annotated[str, typer.Option(help="A note, kept in the file.")] = "",
    exchanges: Annotated[
        bool,
        typer.Option(help="Keep what was sent to the car and answered, to prove the values by."),
    ] = True,
    unattended: Annotated[
        bool,
        typer.Option(
            "--unattended", help="For days: one file a key cycle, into the folder --into."
        ),
    ] = False,
    into: Annotated[Path | None, typer.Option(help="Folder of unattended recordings.")] = None,
    budget: Annotated[
        float, typer.Option(min=0.001, help="Disk budget of unattended recordings, GB.")
    ] = 10.0,
    stop_below: Annotated[
        float, typer.Option(min=6.0, max=30.0, help="Unattended: end below this voltage, V.")
    ] = 11.9,
    volt_every: Annotated[
        float,
        typer.Option(
            min=1.0, max=3600.0, help="Unattended: wake the adapter so often for its voltmeter, s."
        ),
    ] = 10.0,
) -> None:
    """Record a drive to a Parquet file; Ctrl-C finishes it properly."""
    from logbench.capture.messages import DEFAULT_RULES, CaptureRequest, Unattended
    from logbench.cases.cars import CarsFile
    from logbench.recording.storage import storage_trouble
    from logbench.signals.numbers import size_text
    from logbench.system.private import make_folder

    request = CaptureRequest(
        link_url=link,
        signals=listed(signals.upper()),
        out=out if out is not None else Path(time.strftime("drive-%Y%m%d-%H%M%S.parquet")),
        vehicle=vehicle_of(car, displacement, cylinders, regulating),
        second=second,
        known=CarsFile().load(),
        surroundings=surroundings_of(soak_hours, altitude_m, humidity),
        note=note,
        exchanges=exchanges,
        limit_s=duration_s(limit) if limit else None,
    )
    if unattended:
        if into is None or out is not None:
            raise UsageError("--unattended needs a folder: --into FOLDER (and no --out).")
        with storage_trouble(into):
            make_folder(into)
        plan = Unattended(
            budget_bytes=round(budget * 1e9), stop_below_v=stop_below, volt_every_s=volt_every
        )
        request = replace(request, out=into / "drive.parquet", unattended=plan, rules=DEFAULT_RULES)
    elif into is not None:
        raise UsageError("--into goes with --unattended; name one file with --out.")
    if go_on is not None:
        if unattended or out is not None:
            raise UsageError("--go-on keeps the journal's file: no --out, --unattended.")
        request = _going_on(request, go_on)
    elif not link:
        raise UsageError("Name the way to the car: --link URL.")
    finished = record_shown(request)
    samples, length = f"{finished.samples:,} samples", clock(finished.elapsed_s)
    if finished.path is not None and finished.others:
        say(
            f"Recorded {finished.others + 1} drives, {length} and {samples} in all; the last: "
            f"{finished.path}"
        )
    elif finished.path is not None:
        size = size_text(finished.path.stat().st_size)
        say(f"Recorded {length}, {samples}, {size}: {finished.path}")
    if finished.sentence:
        say(finished.sentence)


def _going_on(request: CaptureRequest, journal: Path) -> CaptureRequest:
    """With what the journal tells. Raises as `scan_journal`."""
    from logbench.recording.journal_reading import SUFFIX, scan_journal

    facts = scan_journal(journal).facts
    return replace(
        request,
        link_url=request.link_url or facts.link.url,
        signals=request.signals or tuple(facts.signals),
        out=journal.with_name(journal.name.removesuffix(SUFFIX)),
        resume=journal,
    )


def record_shown(request: CaptureRequest, *, steps: bool = True) -> Finished:
    """Record until the limit or Ctrl-C, with a live line and, where wanted, each step on its own.
    Raises LogbenchError."""
    from rich.live import Live

    from logbench.capture.messages import CarFound, Status
    from logbench.capture.process import run_headless
    from logbench.cases.cars import keep_car, learn_from_drive

    with Live(console=console(), refresh_per_second=4, transient=True) as live:

        def show(message: Message) -> None:
            line = _lasting(message)
            if steps and line is not None:
                say(line)
            if isinstance(message, CarFound):
                keep_car(message.vehicle)
            if isinstance(message, Status):
                live.update(text(_status_text(message)))

        finished = run_headless(request, show)
    if finished.path is not None:
        learn_from_drive(finished.path)
    return finished


def _status_text(status: Status) -> str:
    """One live line: elapsed, samples, rate, size, room left, link."""
    from logbench.signals.numbers import size_text, span_text

    room = "" if status.room_s is None else f"  room for {span_text(status.room_s)}"
    return (
        f"{clock(status.elapsed_s)}  {status.samples:,} samples  "
        f"{status.samples_per_s:.0f} samples/s  {size_text(status.size_bytes)}{room}  "
        f"link {status.link}"
    )


def _lasting(message: Message) -> str | None:
    """The line to print for good, or None where only the live line changes."""
    from logbench.capture.messages import BrokeOff, CarChanged, CarFound, Step
    from logbench.recording.model import Event

    match message:
        case Step(text=text):
            return text
        case CarFound(facts=facts, signals=signals, unsupported=missing, vehicle=vehicle):
            label = fill(" ({label})", label=vehicle.label) if vehicle.label else ""
            line = fill(
                "Car answers: {vin}{label}, {protocol}; {n} signals",
                vin=facts.vin or "no VIN read",
                label=label,
                protocol=facts.protocol,
                n=len(signals),
            )
            return line + (f"; not reported by this car: {', '.join(missing)}" if missing else "")
        case Event(t_ns=t_ns, kind=kind, text=text):
            return joined("  ", clock(t_ns / 1e9), joined(": ", kind, text))
        case BrokeOff(sentence=sentence):
            return sentence
        case CarChanged(sentence=sentence, path=path):
            return sentence + (f" The previous recording: {path}" if path else "")
        case _:  # NotStarted and NotChosen answer a window; Failed is raised
            return None
