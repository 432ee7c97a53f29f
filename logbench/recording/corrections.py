"""Facts of a recording that a person corrects after the drive: car, start, surroundings.

A finished recording never changes: what is corrected stands in the file beside it (`notes.py`) with
what stood there before and when it was corrected, and is put over the facts whenever the recording
is opened. The samples, and their checksum, are as they were.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from logbench.car.identity import stated_vin
from logbench.car.model import FACTS as CAR_FACTS
from logbench.car.model import Car
from logbench.errors import NotesError, UsageError
from logbench.recording.model import Correction, Facts, Surroundings, start_of
from logbench.recording.notes import Beside, Keep, change_beside, read_beside
from logbench.recording.storage import write_whole
from logbench.system.refusal import refusal_of
from logbench.words import tr

log = logging.getLogger(__name__)

STARTED = "started"
CORRECTABLE = (STARTED, *CAR_FACTS, *Surroundings.model_fields)


def value_of(facts: Facts, fact: str) -> Any:
    """What is known of a fact; None where nothing is."""
    if fact == STARTED:
        found: Any = facts.started
    elif fact in CAR_FACTS:
        found = getattr(facts.vehicle, fact)
    else:
        found = facts.extra.get(fact)
    return None if found == "" else found


def corrected(facts: Facts, corrections: Sequence[Correction]) -> Facts:
    """The facts as a person corrected them; what cannot be a fact's value is passed over."""
    if not corrections:
        return facts
    made = facts.model_copy(deep=True)
    for one in corrections:
        try:
            _put(made, one.fact, one.value)
            made.corrections.append(one)
        except ValueError as error:  # pydantic's are ValueErrors
            log.warning("a correction of %s is passed over: %s", one.fact, error)
    return made


def with_corrections(path: Path, facts: Facts) -> Facts:
    """The facts of a recording's file, as they are corrected beside it; as they are where what
    stands there cannot be used, which its notes tell."""
    try:
        return corrected(facts, read_beside(path, facts.samples_sha256).corrections)
    except NotesError as error:
        log.warning("%s", error)
        return facts


def correct_beside(
    path: Path, facts: Facts, changes: Mapping[str, Any], keep: Keep = write_whole
) -> Facts:
    """Correct facts of the recording in that file, whose facts are these; what they are then. A
    value None says that nothing is known. `keep` writes the file beside it.

    Raises `UsageError` for what no fact can be, `NotesError`, `StorageError`.
    """
    made_utc = datetime.now(UTC).isoformat(timespec="seconds")
    fresh = [
        _checked(facts, Correction(
            fact=fact, value=value, before=value_of(facts, fact), made_utc=made_utc
        ))
        for fact, value in changes.items()
        if value != value_of(facts, fact)
    ]  # fmt: skip

    def added(document: Beside) -> None:
        document.corrections += fresh

    if fresh:
        change_beside(path, facts.samples_sha256, added, keep)
    return corrected(facts, fresh)


def take_back(path: Path, facts: Facts, keep: Keep = write_whole) -> None:
    """Remove all corrections beside a recording. Raises `NotesError`, `StorageError`."""
    change_beside(path, facts.samples_sha256, lambda held: held.corrections.clear(), keep)


def withdraw(
    path: Path, facts: Facts, gone: Sequence[Correction], keep: Keep = write_whole
) -> None:
    """Remove these corrections beside a recording, and no others. Raises as `take_back`."""

    def without(held: Beside) -> None:
        held.corrections = [one for one in held.corrections if one not in gone]

    change_beside(path, facts.samples_sha256, without, keep)


def _checked(facts: Facts, one: Correction) -> Correction:
    """Raises `UsageError` where it cannot be."""
    if one.fact == STARTED and facts.started_utc and not facts.is_imported:
        raise UsageError(tr("When it began was recorded with it: that is not corrected."))
    if one.fact == "vin" and isinstance(one.value, str):
        stated_vin(one.value)
    try:
        _put(facts.model_copy(deep=True), one.fact, one.value)
    except ValidationError as error:
        model = Car if one.fact in CAR_FACTS else Surroundings
        refusal = refusal_of(error, model)
        raise UsageError(
            tr("The {fact} is not taken: {why}.", fact=refusal.name, why=refusal.why)
        ) from error
    except ValueError as error:
        raise UsageError(
            tr("'{text}' is not a {fact}.", text=one.value, fact=one.fact.replace("_", " "))
        ) from error
    return one


def _put(facts: Facts, fact: str, value: Any) -> None:
    """Raises `ValueError` for what cannot be."""
    if fact == STARTED:
        moment = datetime.fromisoformat(value) if value else None
        facts.started_utc, facts.started_local = start_of(moment)
    elif fact in CAR_FACTS:
        unknown = Car.model_fields[fact].default
        facts.vehicle.state(fact, unknown if value is None else value)
    elif fact in Surroundings.model_fields:
        legal = Surroundings.model_validate({fact: value})
        facts.extra.pop(fact, None)
        facts.extra.update(legal.extra())
    else:
        raise ValueError(f"{fact} is not a fact that is corrected")
