"""What a person enters in a job: the same rules wherever it is typed."""

from __future__ import annotations

import pytest

from logbench.car.identity import stated_vin
from logbench.errors import JobError, UsageError
from logbench.job.model import Job, Note
from logbench.job.typed import append, put_option, set_value, set_values
from logbench.system.limits import JOB_ENTRIES

VIN = "ZZ9TEST170X000001"


def test_what_is_refused_changes_nothing():
    job = Job(conclusion="as it was")
    with pytest.raises(UsageError, match=r"The displacement is not taken: it must be a number, at"):
        set_values(job, {"conclusion": "new", "vehicle.displacement_l": 99})
    with pytest.raises(UsageError, match="at most 300 characters, this has 301"):
        put_option(job, "Renew the hose", {"cost": "x" * 301})
    with pytest.raises(UsageError, match="at most 20000 characters, this has 20001"):
        set_value(job, "agreement", "x" * 20_001)
    assert job == Job(conclusion="as it was", created_utc=job.created_utc)


def test_a_full_list_says_so():
    job = Job(notes=[Note(text="x")] * JOB_ENTRIES)
    with pytest.raises(JobError, match="500 entries at most"):
        append(job, "notes", Note(text="one more"))
    assert len(job.notes) == JOB_ENTRIES


def test_an_option_is_known_by_its_name_and_decided_later():
    job = Job()
    put_option(job, "Renew the hose", {"cost": "120"})
    put_option(job, "Tape it", {"agreed": False})
    put_option(job, "Renew the hose", {"agreed": True})
    assert [(o.what, o.cost, o.agreed) for o in job.options] == [
        ("Renew the hose", "120", True),
        ("Tape it", "", False),
    ]


@pytest.mark.parametrize(
    ("typed", "why"),
    [("ZZ9TEST", "17 characters, this has 7"), ("ZZ9TEST170X00000O", "without I, O and Q")],
)
def test_a_vin_that_cannot_be_one_is_refused(typed: str, why: str):
    job = Job()
    with pytest.raises(UsageError, match=why):
        set_values(job, {"vehicle.vin": typed})
    assert not job.vehicle.vin
    assert stated_vin(" ") == ""


def test_a_vin_is_kept_in_capitals():
    job = Job()
    set_values(job, {"vehicle.vin": f" {VIN.lower()} "})
    assert job.vehicle.vin == VIN
    job.vehicle.vin = VIN.lower()
    assert job.vehicle.vin == VIN


def test_what_is_typed_as_text_is_held_against_what_was_read_as_a_number():
    job = Job()
    job.vehicle.odometer_km = 81234.5
    job.vehicle.sources["odometer_km"] = "read"
    set_values(job, {"vehicle.odometer_km": "81234.5"})
    assert job.vehicle.read_instead == {}
