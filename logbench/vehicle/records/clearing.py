"""The two things that change a car: clearing codes (04) and closing the evaporative system (08).

Both go through the same guard, in this order: an explicit consent, a full reading that was saved
and can be read back from where it was saved, and, last, the engine and the wheels as the car itself
reports them at that moment. Whatever lacks ends in a `ClearingRefusedError` with nothing sent.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from pydantic import BaseModel, Field, ValidationError

from logbench.errors import (
    ClearingRefusedError,
    LinkLostError,
    LogbenchError,
    ReplyError,
    StorageError,
)
from logbench.signals.decoding import supported_pids
from logbench.vehicle.link import NEGATIVE, Link, silent
from logbench.vehicle.model import Progress, Reply
from logbench.vehicle.permits import (
    CLEAR,
    CLOSE_EVAP,
    LIST_CONTROLS,
    LIST_CONTROLS_ELSEWHERE,
    WritePermit,
)
from logbench.vehicle.records.asking import REASONS, Asker, highest, read_values
from logbench.vehicle.records.diff import ReadingDiff, diff_readings
from logbench.vehicle.records.model import CarReading
from logbench.vehicle.records.read import read_car

log = logging.getLogger(__name__)

CONSENT = "The owner agrees, and I have read what will be lost."
"""The words that must be given, letter for letter: the window's tick box stands beside them."""
LOSSES = (
    "all stored and pending trouble codes",
    "all freeze frames",
    "the results of the on-board monitors",
    "readiness: an inspection may refuse the car until the monitors have run again",
    "the counters of distance, time and warm-ups since clearing",
    "in many cars, values the ECUs have learnt (fuel trim, idle, shifting)",
)
STAYS = "Permanent codes stay until their own monitor has passed."
EVAP_CAUTIONS = (
    "The vent of the fuel tank is closed: pressure and vacuum are no longer let out.",
    "Test with the equipment and within the pressure the maker states; too much bursts the tank.",
    "Fuel vapour burns: no flame, no spark, fresh air, an extinguisher at hand.",
    "Turn the ignition off when done, so that the vent opens again.",
)
IDLE_MAX_RPM = 1200.0
"""Faster than any warm idle (common practice, no source)."""
EVAP_TEST = 0x01
EVAP_NAME = "close the evaporative system for a leak test"
SETTLE_TIMEOUT_S = 5.0
Save = Callable[[CarReading], Path]
"""Writes a reading as JSON and gives the file; raises what it likes."""


class Conditions(BaseModel):
    """Engine speed and road speed as the car reported them; None: it did not."""

    rpm: float | None = None
    speed_kmh: float | None = None

    @property
    def lacking(self) -> str:
        """What is not right, as a sentence; `` when it may be done."""
        if self.rpm is None or self.speed_kmh is None:
            missing = "engine speed" if self.rpm is None else "road speed"
            return f"The car does not report its {missing}, so that it cannot be made sure of."
        if self.speed_kmh > 0:
            return f"The car moves at {self.speed_kmh:.0f} km/h: stop and try again."
        if self.rpm > IDLE_MAX_RPM:
            return f"The engine turns at {self.rpm:.0f} rpm: let it idle, or switch it off."
        return ""


class Change(BaseModel):
    """What was done to the car and what came of it."""

    done_utc: str
    conditions: Conditions
    saved: str
    """Where the reading before is."""
    accepted: list[str] = Field(default_factory=list)
    """ECUs that did it."""
    refused: dict[str, str] = Field(default_factory=dict)
    """ECU to why not, in words."""
    sentence: str = ""


class ClearingResult(Change):
    """The codes were cleared, or not; kept in the job."""

    after: CarReading | None = None
    diff: ReadingDiff | None = None


class ControlResult(Change):
    """One start of the evaporative system's closing; an event of the job."""


class ControlTest(BaseModel):
    """A test ID of service 08. Only the standard's own may be started."""

    ecu: str
    test_id: int
    name: str
    startable: bool


def read_conditions(link: Link) -> Conditions:
    """Engine and road speed now. Raises LinkLostError."""
    everything: Mapping[str, frozenset[int]] = {"": frozenset({0x0C, 0x0D})}
    values = read_values(Asker(link), (0x0C, 0x0D), everything, "speeds")
    return Conditions(rpm=highest(values, "RPM"), speed_kmh=highest(values, "VSS"))


def clear_codes(
    link: Link, consent: str, save: Save, progress: Progress | None = None
) -> ClearingResult:
    """Read and save everything, clear, and read back.

    `consent` must be `CONSENT`. Raises ClearingRefusedError, with nothing sent, when consent, a
    full reading, its file or the car's own conditions lack.
    """
    report = progress or silent
    before, saved = _guarded(link, consent, save, report)
    conditions = _at_rest(link)
    report("Clearing the codes")
    result = ClearingResult(done_utc=_now(), conditions=conditions, saved=str(saved))
    try:
        done = link.exchange(CLEAR, timeout_s=SETTLE_TIMEOUT_S, permit=WritePermit(CLEAR))
        result.accepted, result.refused = _outcome(done.replies)
        report("Reading back")
        result.after = read_car(link, progress)
        result.diff = diff_readings(before, result.after, cleared=bool(result.accepted))
    except (LinkLostError, ReplyError) as error:
        result.sentence = (
            f"{error} It is not known whether the codes were cleared: read the car again."
        )
        return result
    result.sentence = _clear_sentence(result)
    log.info("cleared: %s", result.sentence)
    return result


def list_control_tests(link: Link) -> list[ControlTest]:
    """Test IDs of service 08 of every ECU; empty where no ECU has the service.

    Lists only: asking changes nothing. Raises LinkLostError.
    """
    is_can = link.protocol.is_can
    payload = LIST_CONTROLS if is_can else LIST_CONTROLS_ELSEWHERE
    found = []
    try:
        replies = link.exchange(payload, permit=WritePermit(payload)).replies
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
    link: Link, consent: str, save: Save, progress: Progress | None = None
) -> ControlResult:
    """Close the evaporative system for a leak test, under the same guard as clearing.

    Raises ClearingRefusedError when a condition lacks or no ECU has the test.
    """
    report = progress or silent
    if not any(test.startable for test in list_control_tests(link)):
        raise ClearingRefusedError(
            "No ECU of this car offers the standard's leak test: use the maker's procedure."
        )
    _, saved = _guarded(link, consent, save, report)
    conditions = _at_rest(link)
    report("Closing the evaporative system")
    result = ControlResult(done_utc=_now(), conditions=conditions, saved=str(saved))
    try:
        replies = link.exchange(
            CLOSE_EVAP, timeout_s=SETTLE_TIMEOUT_S, permit=WritePermit(CLOSE_EVAP)
        ).replies
    except (LinkLostError, ReplyError) as error:
        result.sentence = f"{error} It is not known whether the system is closed: ignition off."
        return result
    result.accepted, result.refused = _outcome(replies)
    if result.accepted:
        result.sentence = f"{', '.join(result.accepted)} closed the evaporative system."
    else:
        result.sentence = f"The evaporative system was not closed: {_why(result.refused)}."
    return result


# --- the guard ---


def _guarded(link: Link, consent: str, save: Save, report: Progress) -> tuple[CarReading, Path]:
    if consent != CONSENT:
        raise ClearingRefusedError(
            f"Nothing is changed in a car without consent: give the words {CONSENT!r}."
        )
    if link.service == 0x22:
        raise ClearingRefusedError(
            "This car answers SAE J1979-2 only, whose freeze frames and monitor results cannot be "
            "read here: without a full reading nothing is cleared."
        )
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


def _at_rest(link: Link) -> Conditions:
    conditions = read_conditions(link)
    if conditions.lacking:
        raise ClearingRefusedError(f"Nothing was changed. {conditions.lacking}")
    return conditions


def _outcome(replies: list[Reply]) -> tuple[list[str], dict[str, str]]:
    accepted = [reply.ecu for reply in replies if reply.data[0] != NEGATIVE]
    refused = {
        reply.ecu: REASONS.get(reply.data[2], f"negative response {reply.data[2]:02X}")
        for reply in replies
        if reply.data[0] == NEGATIVE
    }
    return accepted, refused


def _clear_sentence(result: ClearingResult) -> str:
    if not result.accepted:
        text = f"The codes were not cleared: {_why(result.refused)}."
        if not result.conditions.rpm:
            return text
        return text + " Many cars want the engine off with the ignition on: try that."
    text = f"{', '.join(result.accepted)} cleared."
    if result.refused:
        text += f" Not cleared: {_why(result.refused)}."
    left = [c.code for c in result.after.codes if c.state != "permanent"] if result.after else []
    if left:
        return f"{text} Still there, or back at once: {', '.join(dict.fromkeys(left))}."
    return f"{text} No stored or pending code is left."


def _why(refused: Mapping[str, str]) -> str:
    return "; ".join(f"{ecu}: {why}" for ecu, why in refused.items()) or "no ECU answered"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
