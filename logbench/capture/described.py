"""What is written into a recording of the car and the link that it is made with."""

from __future__ import annotations

import uuid

from logbench.capture.messages import CaptureRequest, CarFound
from logbench.capture.sources.model import Opened
from logbench.car.identity import Identity, Match
from logbench.car.model import Car
from logbench.foreign import fill
from logbench.recording.model import Facts, LinkFacts, signal_facts
from logbench.system.version import SOFTWARE


def car_found(request: CaptureRequest, opened: Opened, facts: Facts) -> CarFound:
    """What the watcher is told of it."""
    meeting = request.known.judge(request.vehicle.identified, opened.facts.identity)
    other = meeting.match is Match.OTHER and request.vehicle.is_stated
    return CarFound(
        opened.facts,
        opened.signals,
        opened.unsupported,
        facts.recording_id,
        facts.started_utc,
        facts.vehicle,
        meeting.sentence if other else "",
    )


def facts_of(request: CaptureRequest, opened: Opened) -> Facts:
    """Of a recording that begins."""
    car = opened.facts
    return Facts(
        recording_id=uuid.uuid4().hex,
        software=SOFTWARE,
        vehicle=_vehicle(request, car.identity),
        link=LinkFacts(
            url=request.link_url,
            adapter=car.adapter,
            protocol=car.protocol,
            simulated=opened.simulated,
            time_scale=opened.time_scale,
        ),
        signals=signal_facts(opened.signals),
        ecus={ecu: car.ecu_names.get(ecu, "") for ecu in car.supported},
        note=request.note,
        extra={
            **request.surroundings.extra(),
            **({"unattended": True} if request.unattended else {}),
        },
    )


def _vehicle(request: CaptureRequest, found: Identity) -> Car:
    """The facts of the car that was found: as stated, unless that is another car; then as known
    from before; and what it says itself."""
    stated, known = request.vehicle, request.known
    if known.judge(stated.identified, found).match is Match.OTHER:
        stated = Car()
    met = known.met(found)
    vehicle = stated.over(Car() if met is None else met.car)
    vehicle.learn(Car.read(found))
    vehicle.identity = found
    return vehicle


def learned_more(facts: Facts, opened: Opened) -> Facts:
    """The facts of a recording under way, of a car that has said more of itself."""
    vehicle = facts.vehicle.model_copy(deep=True)
    vehicle.learn(Car.read(opened.facts.identity))
    vehicle.identity = opened.facts.identity
    names = {ecu: opened.facts.ecu_names.get(ecu, "") for ecu in opened.facts.supported}
    return facts.model_copy(update={"vehicle": vehicle, "ecus": names})


def unsure_of(request: CaptureRequest, found: Identity) -> str:
    """What cannot be told of which car was found; empty where nothing is to be said."""
    stated, met = request.vehicle.identified, request.known.met(found)
    meeting = request.known.judge(stated, found)
    if meeting.match is Match.UNKNOWN and stated.key and found.key:
        return meeting.sentence
    car = "" if met is None or found.known_vin else met.car.called
    taken = "Taken for {car} by its ECUs: it gives no VIN, so it may be another."
    return fill(taken, car=car) if car else ""


def gone_on(before: Facts, now: Facts, began_utc: str) -> Facts:
    """Of a recording that is gone on with, which began then: what it held, and what is new."""
    return now.model_copy(
        update={
            "recording_id": before.recording_id,
            "started_utc": began_utc,
            "signals": before.signals | now.signals,
            "vehicle": now.vehicle.over(before.vehicle),
            "note": now.note or before.note,
            "extra": before.extra | now.extra,
        }
    )
