"""What a person states besides the PIDs."""

from __future__ import annotations

import json

import pytest
from pydantic import ValidationError

from logbench.recording.model import Facts, Surroundings, stated


def test_what_is_stated_survives_in_the_facts():
    known = Surroundings(soak_hours=8, altitude_m=-20.5)
    facts = Facts(extra={"import": {"file": "a.csv"}, **known.extra()})
    again = Facts.model_validate_json(facts.model_dump_json())
    assert json.loads(facts.model_dump_json())["extra"]["altitude_m"] == -20.5
    assert stated(again) == known
    assert stated(Facts()) == Surroundings()


@pytest.mark.parametrize("value", ["tall", None, [1], float("nan"), 1e9, {"m": 3}])
def test_a_value_that_is_not_legal_counts_as_not_stated(value):
    facts = Facts(extra={"altitude_m": value, "soak_hours": 7})
    assert stated(facts) == Surroundings(soak_hours=7)


@pytest.mark.parametrize(
    "fields", [{"soak_hours": -1}, {"altitude_m": 9000}, {"humidity_pct": 101}]
)
def test_limits(fields):
    with pytest.raises(ValidationError):
        Surroundings(**fields)
