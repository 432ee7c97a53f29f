"""What a recording teaches of its car: kept with the car as worked out, and told in words."""

from __future__ import annotations

from dataclasses import dataclass

from logbench.analysis.airflow import find_displacement
from logbench.analysis.engine import learned
from logbench.analysis.statement import Quantity, said
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.errors import LogbenchError
from logbench.recording.reader import Recording

LOAD_ABS_SURE = 0.95
"""`LOAD_ABS` is the displacement by its definition, where the ECU keeps to it. [CP]"""


def learn_of(view: View) -> Car:
    """What follows of the recording and is sure enough to be kept, and nothing else."""
    car, size = learned(view.engine), view.once(find_displacement)
    if size.by_load_l is not None and size.source != "stated":
        liters = round(size.by_load_l, 2)
        car.work_out("displacement_l", liters, LOAD_ABS_SURE, "LOAD_ABS against MAF and RPM")
    return car


def learn_from(recording: Recording) -> Car:
    """The same of a recording; nothing of one that cannot be read."""
    try:
        return learn_of(View(recording))
    except LogbenchError:
        return Car()


@dataclass(frozen=True, slots=True)
class Told:
    """A fact of the engine, for people: the name of the trait, its probability (95 % of an
    interval), and a clause (`probably a spark-ignition engine (99 %: …)`)."""

    name: str
    probability: float
    text: str


def engine_told(view: View) -> tuple[Told, ...]:
    """All that is known of the engine."""
    told = [Told(k.trait.value, k.probability, k.text) for k in view.engine.told]
    size = view.once(find_displacement)
    if size.source == "LOAD_ABS" and size.liters is not None:
        text = said("probably an engine of {l:.2f l} (95 %: by LOAD_ABS)", l=size.liters)
        told.append(Told("displacement", LOAD_ABS_SURE, text))
    elif size.liters is None and size.by_air_l is not None:
        low, high = size.by_air_l
        text = said(
            "probably an engine of {liters} (95 %: by airflow and manifold pressure, where both"
            " read right)",
            liters=Quantity(low, "l", decimals=1, others=(high,)),
        )
        told.append(Told("displacement", LOAD_ABS_SURE, text))
    return tuple(told)
