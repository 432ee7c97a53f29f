"""Facts of a recording put right after the drive: `logbench correct`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import Altitude, Humidity, SoakHours, Start, moment_of, refused
from logbench.cli.show import console, say, table, text
from logbench.errors import UsageError
from logbench.foreign import in_terminal
from logbench.signals.numbers import started_text

if TYPE_CHECKING:
    from logbench.recording.model import Facts

_UNKNOWN = "unknown"


def correct(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    car: Annotated[str, typer.Option(help="The name of the car.")] = "",
    vin: Annotated[str, typer.Option(help="Its vehicle identification number.")] = "",
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in liters.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    fuel: Annotated[str, typer.Option(help="gasoline, diesel, …")] = "",
    other: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="FACT=VALUE",
            help="Any other fact of the car: turbo=yes, metering=both, stop_start=no, banks=2 …",
        ),
    ] = None,
    start: Start = "",
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Take all earlier corrections back.")
    ] = False,
) -> None:
    """Put facts of a recording right, beside it: the file, and its samples, stay as they are.
    Without options: show what is known and what was corrected. 'unknown' clears a text."""
    from logbench.cases.recording import CorrectFacts

    moment = None if start.strip().lower() == _UNKNOWN else moment_of(start)
    given = {
        "label": car,
        "vin": vin,
        "displacement_l": displacement,
        "cylinders": cylinders,
        "fuel": fuel,
        "started": moment.isoformat() if moment else start,
        "soak_hours": soak_hours,
        "altitude_m": altitude_m,
        "humidity_pct": humidity,
    }
    changes: dict[str, object] = {
        fact: value for fact, value in given.items() if value not in ("", None)
    }
    changes |= dict(map(_fact_of, other or ()))
    for fact, value in changes.items():
        if isinstance(value, str) and value.lower() == _UNKNOWN:
            changes[fact] = None
    _show(run_here(CorrectFacts(file, changes, take_back)))


def _fact_of(text: str) -> tuple[str, object]:
    """`turbo=yes` as fact and value. Raises `UsageError`."""
    from logbench.car.model import FACTS, Car

    fact, _, value = (part.strip() for part in text.partition("="))
    if fact not in FACTS:
        raise UsageError(f"'{fact}' is not a fact of a car: choose one of {', '.join(FACTS)}.")
    if value.lower() == _UNKNOWN:
        return fact, None
    with refused(Car, "The vehicle's {name} is not taken: {problem}."):
        return fact, getattr(Car.model_validate({fact: value}), fact)


def _show(facts: Facts) -> None:
    """What is known, and what it was before it was corrected."""
    from logbench.recording.corrections import CORRECTABLE, STARTED, value_of

    before: dict[str, str] = {}
    for one in facts.corrections:
        before.setdefault(one.fact, "" if one.before is None else in_terminal(one.before))
    out = table("fact", "value", "as recorded")
    for fact in CORRECTABLE:
        value = value_of(facts, fact)
        if value is None and fact not in before:
            continue
        shown = started_text(facts.started, 19) if fact == STARTED else value
        recorded = (before[fact] or _UNKNOWN) if fact in before else ""
        out.add_row(
            fact.replace("_", " "),
            text(_UNKNOWN if shown is None else in_terminal(shown)),
            text(recorded),
        )
    console().print(out)
    if not before:
        say("Nothing was corrected.")
