"""What `job.toml` holds. Versioned, validated; keys of other versions survive a round trip.

Times are ISO 8601 in UTC. Files are paths inside the job's folder with `/`. Text is cleaned of
control characters; a limit on every length keeps a hostile file from filling memory or a page.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from logbench.analysis.causes.hand_tests import Done
from logbench.car.model import Car
from logbench.foreign import Line, Text, ToldName, clean_line
from logbench.job.names import check_inside
from logbench.system.limits import JOB_ENTRIES
from logbench.vehicle.records.model import CarChange

SCHEMA_VERSION = "1.0"
Role = Literal["before", "after", "other"]
InFolder = Annotated[str, StringConstraints(max_length=400), AfterValidator(check_inside)]


def now_utc() -> str:
    """The present moment, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class _Part(BaseModel):
    model_config = ConfigDict(extra="allow", validate_assignment=True)


class Customer(_Part):
    """Who brought the car."""

    name: Line = ""
    contact: Line = ""


class Note(_Part):
    """Something observed, said or done, with its time."""

    at_utc: Line = Field(default_factory=now_utc)
    text: Text


class Part(_Part):
    """One part fitted."""

    name: Line
    number: Line = ""
    quantity: float = Field(default=1, gt=0, le=1_000_000)
    remark: Line = ""


class Option(_Part):
    """A way forward as it was put to the owner. `agreed` None: not decided."""

    what: Line
    cost: Line = ""
    consequence: Text = ""
    safety: Text = ""
    agreed: bool | None = None


class RecordingEntry(_Part):
    """A recording of the job; `sha256` of the file as it was added."""

    file: InFolder
    role: Role = "other"
    label: Line = ""
    sha256: ToldName = ""
    same_car: bool = False
    """The user said that it is of the job's car although it gives another VIN or other ECUs."""


class ReadingEntry(_Part):
    """A reading of the car, a JSON file of `vehicle.records.model.CarReading`; `sha256` of the file
    as it was made."""

    file: InFolder
    role: Role = "other"
    at_utc: Line = ""
    label: Line = ""
    sha256: ToldName = ""


class OtherCode(_Part):
    """A code of a module the open standard does not reach, read with other equipment."""

    module: Line
    code: Line
    state: Line = ""
    remark: Line = ""
    when: Literal["before", "after"] = "before"
    restraint: bool = False
    """The module belongs to airbags or belt tensioners."""


class Photo(_Part):
    """A picture or another file; `sha256` of it as it was added."""

    file: InFolder
    caption: Line = ""
    at_utc: Line = ""
    sha256: ToldName = ""


class ComparisonEntry(_Part):
    """Recordings held against each other, by their files.

    `sentence`: what the comparison said when it was made. `same_car`: the user said that it is one
    car although the recordings differ in what they say of it.
    """

    before: list[InFolder] = Field(min_length=1, max_length=JOB_ENTRIES)
    after: list[InFolder] = Field(min_length=1, max_length=JOB_ENTRIES)
    label: Line = ""
    at_utc: Line = ""
    sentence: Text = ""
    same_car: bool = False


class JobTest(_Part):
    """A hand test that was done, with its outcome, by the keys of `hand_tests.toml`; what was
    measured, where it is a number, in the unit there."""

    at_utc: Line = Field(default_factory=now_utc)
    test: ToldName
    outcome: ToldName
    number: float | None = Field(default=None, allow_inf_nan=False)
    remark: Line = ""

    @property
    def done(self) -> Done:
        """The same for the analysis."""
        return Done(clean_line(self.test), clean_line(self.outcome), self.number)


class JobEvent(_Part):
    """Something done to the car through the program: codes cleared, a control started."""

    at_utc: Line = Field(default_factory=now_utc)
    kind: ToldName
    text: Text = ""
    change: CarChange | None = None
    """The request that was sent, with all that was said about it."""


class LedgerMark(_Part):
    """What the job knows of its ledger: since when there is one, and how many entries it had at
    least when the job was written."""

    begun_utc: Line = ""
    entries: int = Field(default=0, ge=0)


class Job(_Part):
    """One car's visit."""

    schema_version: ToldName = SCHEMA_VERSION
    job_id: ToldName = ""
    title: Line = ""
    created_utc: Line = Field(default_factory=now_utc)
    concern: Text = ""
    agreement: Text = ""
    """What was agreed with the owner, in words."""
    conclusion: Text = ""
    technician: Line = ""
    customer: Customer = Field(default_factory=Customer)
    vehicle: Car = Field(default_factory=Car)
    notes: list[Note] = Field(default_factory=list, max_length=JOB_ENTRIES)
    work: list[Note] = Field(default_factory=list, max_length=JOB_ENTRIES)
    parts: list[Part] = Field(default_factory=list, max_length=JOB_ENTRIES)
    options: list[Option] = Field(default_factory=list, max_length=JOB_ENTRIES)
    recordings: list[RecordingEntry] = Field(default_factory=list, max_length=JOB_ENTRIES)
    readings: list[ReadingEntry] = Field(default_factory=list, max_length=JOB_ENTRIES)
    other_codes: list[OtherCode] = Field(default_factory=list, max_length=JOB_ENTRIES)
    photos: list[Photo] = Field(default_factory=list, max_length=JOB_ENTRIES)
    files: list[Photo] = Field(default_factory=list, max_length=JOB_ENTRIES)
    comparisons: list[ComparisonEntry] = Field(default_factory=list, max_length=JOB_ENTRIES)
    symptoms: list[ToldName] = Field(default_factory=list, max_length=JOB_ENTRIES)
    """What the customer complains of, by the keys of the list of symptoms."""
    tests: list[JobTest] = Field(default_factory=list, max_length=JOB_ENTRIES)
    """Hand tests in the order in which they were entered; of one test the last counts."""
    exercise: ToldName = ""
    """The text of the exercise that it is; what is wrong with the car does not stand here."""
    committed: list[ToldName] = Field(default_factory=list, max_length=JOB_ENTRIES)
    """Keys of the causes that were committed to in it."""
    events: list[JobEvent] = Field(default_factory=list, max_length=JOB_ENTRIES)
    sentences: dict[str, Text] = Field(default_factory=dict)
    """Sentences of the report that a person has rewritten, by their key."""
    ledger: LedgerMark = Field(default_factory=LedgerMark)

    @property
    def restraint_work(self) -> bool:
        """Whether a code of the restraint system was typed in: it has a caution of its own."""
        return any(code.restraint for code in self.other_codes)


RESTRAINT_CAUTION = (
    "Airbags and belt tensioners can injure and kill when they go off unintended. Work on them, "
    "and on their wiring (usually yellow), belongs to trained staff with the maker's procedure; "
    "nothing is probed or measured before the system is made safe as the maker says."
)
"""Common practice, no source."""
