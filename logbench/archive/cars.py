"""Cars of an archive: recordings under one name are of one car, or their names say that they are
not."""

from __future__ import annotations

import pyarrow as pa

from logbench.car.identity import Identity
from logbench.car.known import KnownCars


def tell_cars_apart(recordings: pa.Table, known: KnownCars) -> pa.Table:
    """The view `recordings` with the VIN behind a car's name where several cars bear the name; VINs
    that were said to be of one car count as one. What gives no VIN keeps the bare name."""
    one_car = {key: min(car.keys) for car in known.cars for key in car.keys}
    column = recordings["vin"].to_pylist()
    vins = {vin: Identity(vin=vin).known_vin for vin in set(filter(None, column))}
    names = recordings["car"].to_pylist()
    of = [one_car.get(found, found) for found in (vins.get(vin, "") for vin in column)]
    cars: dict[str, set[str]] = {}
    for name, vin in zip(names, of, strict=True):
        cars.setdefault(name, set()).update({vin} - {""})
    several = {name for name, found in cars.items() if name and len(found) > 1}
    if not several:
        return recordings
    told = [f"{n} · {vin}" if n in several and vin else n for n, vin in zip(names, of, strict=True)]
    at = recordings.schema.get_field_index("car")
    return recordings.set_column(at, recordings.schema.field(at), pa.array(told, pa.string()))
