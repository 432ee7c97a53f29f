"""What a field does not take is told in plain words, by the limits that stand in its model."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from logbench.car.model import Car
from logbench.job.model import Job
from logbench.recording.model import Surroundings
from logbench.system.refusal import bounds_of, ends_of, field_name, refusal_of


@pytest.mark.parametrize(
    ("values", "field", "name", "why"),
    [
        ({"vehicle": {"displacement_l": 30}}, "vehicle.displacement_l", "displacement",
         "it must be a number, at least 0.05 and at most 20, not 30"),
        ({"vehicle": {"cylinders": 2.5}}, "vehicle.cylinders", "cylinders",
         "it must be a whole number, at least 1 and at most 16, not 2.5"),
        ({"vehicle": {"year": "last"}}, "vehicle.year", "year",
         "it must be a whole number, at least 1900 and at most 2200, not last"),
        ({"vehicle": {"odometer_km": "nan"}}, "vehicle.odometer_km", "odometer",
         "it must be a number, at least 0 and at most 10,000,000, not nan"),
        ({"parts": [{"name": "hose", "quantity": 0}]}, "parts.0.quantity", "quantity",
         "it must be a number, more than 0 and at most 1,000,000, not 0"),
        ({"title": "x" * 301}, "title", "title", "it holds at most 300 characters, this has 301"),
        ({"title": 5}, "title", "title", "it must be text, not 5"),
        ({"parts": [{}]}, "parts.0.name", "name", "it is missing"),
        ({"notes": [{"text": "x"}] * 501}, "notes", "notes", "it holds at most 500 entries"),
        ({"readings": [{"file": "a", "role": "later"}]}, "readings.0.role", "role",
         "it must be 'before', 'after' or 'other', not later"),
        ({"photos": [{"file": "../a"}]}, "photos.0.file", "file", "leads out of the job's folder"),
        ({"vehicle": {"turbo": "perhaps"}}, "vehicle.turbo", "turbo",
         "it must be yes or no, not perhaps"),
        ({"vehicle": 7}, "vehicle", "vehicle", "it must be a table, not 7"),
    ],
)  # fmt: skip
def test_a_refusal_names_field_value_and_limits(values, field: str, name: str, why: str):
    with pytest.raises(ValidationError) as caught:
        Job.model_validate(values)
    refusal = refusal_of(caught.value, Job)
    assert (refusal.field, refusal.name, refusal.why) == (field, name, why)


def test_a_refused_value_is_no_control_and_not_long():
    with pytest.raises(ValidationError) as caught:
        Job.model_validate({"vehicle": {"year": "\x1b[2J" + "9" * 10_000}})
    why = refusal_of(caught.value, Job).why
    assert "\x1b" not in why
    assert len(why) < 150


def test_the_limits_are_the_models():
    assert ends_of(Car, "displacement_l") == (0.05, 20.0)
    assert ends_of(Car, "regulating_temp_degc") == (40.0, 130.0)
    assert ends_of(Surroundings, "humidity_pct") == (0.0, 100.0)
    assert bounds_of(Job, "no", "such") == bounds_of(Job, "title", 3) == {}
    assert field_name("odometer_km") == "odometer"
