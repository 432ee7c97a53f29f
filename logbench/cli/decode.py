"""`logbench decode`: what was exchanged with the car, decoded again and held against the values."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cli.options import AsJson
from logbench.cli.show import console, run_shown, say, table, text
from logbench.errors import LogbenchError

if TYPE_CHECKING:
    from logbench.cases.decoding import Compared, DecodedAgain


def decode(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write what comes out as a new recording.")
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Decode again what was exchanged with the car, and show what differs from the values recorded;
    exit code 0, or 3 where a value differs or is not in the exchanges."""
    from logbench.cases.decoding import DecodeAgain, compare_decoded

    made = None
    if out is None:
        found = run_shown(compare_decoded(file))
    else:
        made, found = run_shown(DecodeAgain(file, out))
    if as_json:
        _print_json(found, made)
    else:
        _show(found, made)
    return 0 if found.proved else LogbenchError.exit_code


def _print_json(found: DecodedAgain, made: Path | None) -> None:
    import json
    from dataclasses import asdict

    document = {
        "exchanges": found.exchanges,
        "proved": found.proved,
        "traces": [asdict(one) for one in found.compared],
        "others": found.others,
        "left_out": found.report.left_out,
        "made": None if made is None else str(made),
    }
    typer.echo(json.dumps(document, indent=2))


def _show(found: DecodedAgain, made: Path | None) -> None:
    out = table("signal", "ECU", "same", "differ", "not in the exchanges", "not recorded", "first")
    for one in found.compared:
        counts = (one.same, one.differing, one.unproved, one.left_out)
        out.add_row(text(one.signal), text(one.ecu), *(f"{n:,}" for n in counts), _first(one))
    console().print(out)
    if found.others:
        say(f"Answered, too, but not chosen: {', '.join(found.others)}")
    for (ecu, reason), count in sorted(found.report.counts.items()):
        say(f"  {count:,} x {ecu}: {reason}", "yellow")
    words = {
        True: ("Every value is what the car answered", "green"),
        False: ("Some values are not what the car answered", "bold red"),
    }
    say(f"{words[found.proved][0]} ({found.exchanges:,} exchanges).", words[found.proved][1])
    if made is not None:
        say(f"Decoded again: {made}")


def _first(one: Compared) -> str:
    if not one.differing:
        return ""
    return f"at {one.t_ns / 1e9:.3f} s {one.recorded:g}, decoded {one.decoded:g}"
