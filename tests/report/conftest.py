"""An invented job with everything in it, gathered once per process."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from logbench.job.folder import JobFolder, create_job
from logbench.job.model import Job
from logbench.report.gather import Material, gather
from logbench.report.options import ReportOptions
from logbench.vehicle.records.codes import code_of
from logbench.vehicle.records.model import (
    CarReading,
    EcuIdentity,
    FreezeFrame,
    FrozenValue,
    Identity,
    MonitorState,
    Readiness,
)
from logbench.vehicle.records.monitors import result_of_nine

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
VIN = "ZZ9TEST170X000001"
STATES = ("stored", "pending", "permanent")


def example_job() -> Job:
    return Job.model_validate(
        {
            "concern": "The engine shakes at traffic lights; the yellow lamp comes on.",
            "customer": {"name": "Ada Lovelock", "contact": "ada@example.invalid"},
            "vehicle": {"make": "Example", "year": 2016, "vin": VIN, "registration": "EX 123",
                        "displacement_l": 2.3, "cylinders": 4, "odometer_km": 81234.5},
            "notes": [{"at_utc": "2026-05-04T08:10:00+00:00", "text": "Told Lovelock: split."}],
            "work": [{"at_utc": "2026-05-06T10:00:00+00:00", "text": "Intake hose renewed."}],
            "parts": [{"name": "intake hose", "number": "EX-1204"}],
            "options": [{"what": "Renew the hose", "cost": "120", "agreed": True},
                        {"what": "Tape it", "consequence": "May come back.", "agreed": False}],
            "agreement": "New hose, by telephone.",
            "other_codes": [{"module": "airbag", "code": "B1000", "restraint": True}],
            "conclusion": "The idle is steady.",
            "events": [{"at_utc": "2026-05-06T10:30:00+00:00", "kind": "codes cleared", "change": {
                "request": "04", "consent": "The owner agrees.", "saved": "before.json",
                "rpm": 0.0, "speed_kmh": 0.0, "asked_utc": "2026-05-06T10:29:59.500+00:00",
                "sent_utc": "2026-05-06T10:30:00.000+00:00", "wire": "30 34 0D", "answers": [
                    {"ecu": "7E8", "data": "44", "at_utc": "2026-05-06T10:30:00.050+00:00"}]}}],
        }
    )  # fmt: skip


def reading(*codes: str, utc: str, lamp: bool, complete: bool) -> CarReading:
    return CarReading(
        read_utc=utc,
        complete=True,
        identity=Identity(vin=VIN, ecus=[EcuIdentity(address="7E8", name="ECM-EngineControl")]),
        codes=[code_of(code, "stored", "7E8") for code in codes],
        answered={f"{s} codes": ["7E8"] for s in STATES} | {"freeze frames": ["7E8"]},
        freeze_frames=[
            FreezeFrame(
                ecu="7E8",
                number=0,
                code=codes[0],
                values=[FrozenValue(signal="ECT", name="Coolant", value=88.0, unit="degC")],
            )
        ]
        if codes
        else [],
        readiness=[
            Readiness(
                ecu="7E8",
                lamp_on=lamp,
                warm_ups=1,
                cleared_distance_km=17.0,
                monitors=[
                    MonitorState(
                        key="CAT",
                        name="Catalyst",
                        complete=complete,
                        enabled_this_cycle=True,
                        complete_this_cycle=False,
                    )
                ],
            )
        ],
        monitor_results=[
            result_of_nine("7E8", bytes.fromhex("81 80 AF 07EE F9C0 07D0")),
            result_of_nine("7E8", bytes.fromhex("01 0A 10 015E 0000 0384")),
        ],
    )


def make_example(parent: Path) -> tuple[JobFolder, Job]:
    """The job in a folder of its own: two recordings, two readings, a photo."""
    folder, job = create_job(parent, "Rough idle, invented", example_job())
    before = reading("P0171", "P1234", utc="2026-05-04T07:35:00+00:00", lamp=True, complete=False)
    after = reading(utc="2026-05-06T16:35:00+00:00", lamp=False, complete=True)
    folder.add_reading(job, before, "before")
    folder.add_reading(job, after, "after")
    folder.add_recording(job, RECORDINGS / "before.parquet", "before")
    folder.add_recording(job, RECORDINGS / "after.parquet", "after")
    photo = parent / "bay.jpg"
    image = Image.new("RGB", (1600, 1000), "#99aabb")
    ImageDraw.Draw(image).ellipse((300, 200, 1200, 800), outline="black", width=20)
    image.save(photo)
    folder.add_photo(job, photo, "The hose with its split.")
    folder.save(job)
    return folder, job


@pytest.fixture(scope="session")
def example(tmp_path_factory) -> tuple[JobFolder, Job]:
    return make_example(tmp_path_factory.mktemp("jobs"))


@pytest.fixture(scope="session")
def material(example) -> Material:
    """Gathered with the default options. Nobody changes it: `dataclasses.replace` it."""
    return gather(*example, ReportOptions())
