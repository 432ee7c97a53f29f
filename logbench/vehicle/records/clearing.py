"""The two things that change a car: clearing codes (04, or 14 where a car answers SAE J1979-2 only)
and closing the evaporative system (08).

Both go through the same guard, in this order: an explicit consent, a full reading that was saved
and can be read back from where it was saved, and, last, the engine and the wheels as the car itself
reports them right before the request leaves. Whatever lacks ends in a `ClearingRefusedError` with
nothing sent. The request leaves once (`vehicle/gate.py`); after that there is only waiting, at most
with readings in between that keep an adapter listening.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydantic import BaseModel, ValidationError

from logbench.errors import (
    ClearingRefusedError,
    LinkError,
    LogbenchError,
    ReplyError,
    StorageError,
)
from logbench.foreign import in_label
from logbench.signals.decoding import supported_pids
from logbench.system.limits import CAR_ANSWERS
from logbench.vehicle.gate import (
    CLEAR,
    CLEAR_NEWER,
    CLOSE_EVAP,
    LIST_CONTROLS,
    LIST_CONTROLS_ELSEWHERE,
    Conditions,
    Permit,
)
from logbench.vehicle.link import NEGATIVE, Answers, Link, silent
from logbench.vehicle.model import Progress
from logbench.vehicle.records.asking import Asker, highest, read_values
from logbench.vehicle.records.diff import ReadingDiff, diff_readings
from logbench.vehicle.records.model import CarAnswer, CarChange, CarReading
from logbench.vehicle.records.read import read_car

log = logging.getLogger(__name__)

LOSSES = (
    "all stored and pending trouble codes",
    "all freeze frames",
    "the results of the on-board monitors",
    "readiness: an inspection may refuse the car until the monitors have run again",
    "the counters of distance, time and warm-ups since clearing",
    "in many cars, values the ECUs have learned (fuel trim, idle, shifting)",
)
STAYS = "Permanent codes stay until their own monitor has passed."
EVAP_CAUTIONS = (
    "The vent of the fuel tank is closed: pressure and vacuum are no longer let out.",
    "Test with the equipment and within the pressure the maker states; too much bursts the tank.",
    "Fuel vapor burns: no flame, no spark, fresh air, an extinguisher at hand.",
    "Turn the ignition off when done, so that the vent opens again.",
)
EVAP_TEST = 0x01
EVAP_NAME = "close the evaporative system for a leak test"
Save = Callable[[CarReading], Path]
"""Writes a reading as JSON and gives the file; raises what it likes."""


@dataclass(slots=True)
class Changed:
    """What was done to the car, kept in the job, and what came of it. `after`: read once more, as
    far as that was possible."""

    change: CarChange
    sentence: str
    after: CarReading | None = None
    diff: ReadingDiff | None = None


Keep = Callable[[Changed], object]
"""Called as soon as the request has left and the waiting is over, before anything else can fail."""


class ControlTest(BaseModel):
    """A test ID of service 08. Only the standard's own may be started."""

    ecu: str
    test_id: int
    name: str
    startable: bool


def read_conditions(link: Link) -> Conditions:
    """Engine and road speed now. Raises LinkLostError."""
    everything: Mapping[str, frozenset[int]] = {"": frozenset({0x0C, 0x0D})}
    conditions, asker = Conditions(), Asker(link)
    values = read_values(asker, (0x0C, 0x0D), everything, "speeds")
    return replace(
        conditions,
        rpm=highest(values, "RPM"),
        speed_kmh=highest(values, "VSS"),
        problem=" ".join(asker.problems),
    )


def clear_codes(
    link: Link,
    consent: str,
    save: Save,
    progress: Progress | None = None,
    keep: Keep | None = None,
) -> Changed:
    """Read and save everything, clear, and read back.

    `consent` must be `CONSENT`. Raises ClearingRefusedError, with nothing sent, when consent, a
    full reading, its file or the car's own conditions lack.
    """
    report = progress or silent
    payload = CLEAR_NEWER if link.service == 0x22 else CLEAR
    permit = Permit(payload, consent, lambda: read_conditions(link))
    before, saved = _guarded(link, save, report)
    report("Clearing the codes")
    changed = _change(link, permit, saved, "cleared", keep)
    report("Reading back")
    try:
        after = read_car(link, progress)
    except LinkError as error:
        log.info("not read again: %s", error)
    else:
        changed.after = after if after.identity.ecus else None
    if changed.after is None:
        changed.sentence += " The car could not be read again at once."
    else:
        accepted = bool(changed.change.accepted)
        changed.diff = diff_readings(before, changed.after, cleared=accepted)
        changed.sentence += f" {_left(changed.after)}"
    log.info("cleared: %s %s", changed.sentence, changed.change)
    return changed


def list_control_tests(link: Link) -> list[ControlTest]:
    """Test IDs of service 08 of every ECU; empty where no ECU has the service.

    Lists only: asking changes nothing. Raises LinkLostError.
    """
    is_can = link.protocol.is_can
    payload = LIST_CONTROLS if is_can else LIST_CONTROLS_ELSEWHERE
    found = []
    try:
        replies = link.exchange(payload).replies
    except ReplyError as error:
        log.info("list of controls not understood: %s", error)
        return []
    for reply in replies:
        if reply.data[0] == NEGATIVE or len(reply.data) < 6:
            continue
        for test_id in sorted(supported_pids(0, reply.data[2:6]) - {0x20}):
            ours = test_id == EVAP_TEST
            name = EVAP_NAME if ours else "maker's own: not run"
            found.append(ControlTest(ecu=reply.ecu, test_id=test_id, name=name, startable=ours))
    return found


def close_evap(
    link: Link,
    consent: str,
    save: Save,
    progress: Progress | None = None,
    keep: Keep | None = None,
) -> Changed:
    """Close the evaporative system for a leak test, under the same guard as clearing.

    Raises ClearingRefusedError when a condition lacks or no ECU has the test.
    """
    report = progress or silent
    permit = Permit(CLOSE_EVAP, consent, lambda: read_conditions(link))
    if not any(test.startable for test in list_control_tests(link)):
        raise ClearingRefusedError(
            "No ECU of this car offers the standard's leak test: use the maker's procedure."
        )
    _, saved = _guarded(link, save, report)
    report("Closing the evaporative system")
    changed = _change(link, permit, saved, "closed the evaporative system", keep)
    if changed.change.outcome in ("waiting", "not answered"):
        changed.sentence += " Turn the ignition off, so that the vent opens."
    log.info("closed: %s %s", changed.sentence, changed.change)
    return changed


# --- the guard ---


def _guarded(link: Link, save: Save, report: Progress) -> tuple[CarReading, Path]:
    reading = read_car(link, report)
    if not reading.complete or not reading.codes_known("stored"):
        why = reading.problems[-1] if reading.problems else "No ECU gave its codes."
        raise ClearingRefusedError(f"The car could not be read in full, nothing was cleared: {why}")
    report("Saving the reading")
    return reading, _saved(reading, save)


def _saved(reading: CarReading, save: Save) -> Path:
    """Save, and make sure by reading the file back."""
    try:
        path = save(reading)
        kept = CarReading.model_validate_json(path.read_bytes())
    except (OSError, StorageError, ValidationError) as error:
        text = str(error) if isinstance(error, LogbenchError) else type(error).__name__
        raise ClearingRefusedError(
            f"The reading could not be saved, nothing was cleared: {text}"
        ) from error
    if kept != reading:
        raise ClearingRefusedError(
            f"The reading saved in {path} is not what was read, nothing was cleared: "
            "save to another place."
        )
    return path


# --- the change itself ---


def _change(link: Link, permit: Permit, saved: Path, done: str, keep: Keep | None) -> Changed:
    try:
        answers = link.change(permit)
    except ReplyError as error:
        raise ClearingRefusedError(f"Nothing was changed. {error}") from error
    change = _account(permit, answers, saved)
    changed = Changed(change, _happened(change, done))
    if keep is not None:
        keep(changed)
    return changed


def _account(permit: Permit, answers: Answers, saved: Path) -> CarChange:
    """All that is known of it, in plain values."""
    sent, conditions = permit.sent, permit.conditions
    assert sent is not None
    assert conditions is not None
    kept = CarChange(
        request=permit.payload.hex(" ").upper(),
        consent=permit.consent,
        saved=saved.name,
        rpm=conditions.rpm,
        speed_kmh=conditions.speed_kmh,
        asked_utc=_utc(datetime.fromtimestamp(conditions.asked_unix_s, UTC)),
        sent_utc=_utc(sent.at_utc),
        to=sent.to,
        wire=sent.wire,
        said=answers.said[:CAR_ANSWERS],
        ended=answers.ended,
    )
    came = [
        CarAnswer(
            ecu=reply.ecu,
            data=reply.data.hex(" ").upper(),
            at_utc=_utc(sent.at_utc + timedelta(microseconds=(reply.t_ns - sent.at_ns) // 1000)),
        )
        for reply in answers.replies
    ]
    kept.answers = came[: CAR_ANSWERS // 2] + came[CAR_ANSWERS // 2 :][-CAR_ANSWERS // 2 :]
    return kept


def _happened(change: CarChange, done: str) -> str:
    """What is known of it, and no more. `done`: what an ECU that accepts has done."""
    parts = []
    if change.accepted:
        parts.append(f"{', '.join(change.accepted)} {done}.")
    if change.refused:
        why = "; ".join(f"{ecu}: {why}" for ecu, why in change.refused.items())
        parts.append(f"Not {done}: {why}.")
    if change.waiting:
        ecus = ", ".join(change.waiting)
        parts.append(f"{ecus} said 'response pending' and nothing after it.")
    if change.outcome == "not answered":
        parts.append("The request was sent once, and no ECU answered it.")
    if change.ended:
        parts.append(in_label(change.ended, lines=True))
    if change.outcome in ("waiting", "not answered"):
        parts.append("It is not known whether it was done: read the car again.")
    if change.outcome == "refused" and change.rpm:
        parts.append("Many cars want the engine off with the ignition on: try that.")
    return " ".join(parts)


def _left(after: CarReading) -> str:
    """What was found right afterwards."""
    if not after.codes_known("stored"):
        return "Read again at once, no ECU gave its codes."
    left = dict.fromkeys(code.code for code in after.codes if code.state != "permanent")
    if left:
        return f"Still there, or back at once: {', '.join(left)}."
    if not after.complete or not after.codes_known("pending"):
        return "No stored code is left; pending ones could not be read."
    return "No stored or pending code is left."


def _utc(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
