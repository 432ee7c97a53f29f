"""What crosses the pipe between the capture process and whoever shows it. All picklable."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.recording.model import Event, Surroundings
from logbench.vehicle.model import CarFacts


@dataclass(frozen=True, slots=True)
class MarkRule:
    """A marker by rule: when a condition has held for a while."""

    text: str
    """What the marker says: `total fuel trim above 15 % for 5 s`."""
    when: str
    """A condition on the latest values: docs/expressions.md."""
    for_s: float = 0.0
    """So long without a break, on the recording's clock."""
    once: str = ""
    """Only where this condition has held since the rule marked last; empty: always."""


DEFAULT_RULES = (
    MarkRule("total fuel trim above 15 % for 5 s", "SHRTFT1 + LONGFT1 above 15 %", 5.0),
    MarkRule("total fuel trim below -15 % for 5 s", "SHRTFT1 + LONGFT1 below -15 %", 5.0),
    MarkRule("malfunction indicator lamp on", "MIL = 1"),
    MarkRule("voltage below 12 V for 5 s", "VPWR below 12 V", 5.0),
    MarkRule("engine stopped", "RPM below 50 rpm", 1.0, once="RPM above 400 rpm"),
)
"""Common practice, no source; the limits are those of the fuel-trim and voltage bands."""


@dataclass(frozen=True, slots=True)
class Unattended:
    """Recording for days: one file a key cycle, see `capture.unattended`."""

    budget_bytes: int = 10_000_000_000
    """For the recordings made unattended in the folder; the oldest unmarked ones go first."""
    off_after_s: float = 60.0
    """A recording is finished so long after the car has fallen silent."""
    look_every_s: float = 60.0
    """The least time between two requests to a car that has not answered, so that it can sleep."""
    volt_every_s: float = 10.0
    """How often the resting adapter is woken to read its voltmeter, which sends nothing to the
    car. About half a second awake each time: some 5 mA on average instead of 50 (common practice,
    no source), and the first 10 s of a drive at most are missed."""
    running_v: float = 13.0
    """From this voltage on the engine probably runs, and the car is asked. Common practice."""
    stop_below_v: float = 11.9
    """With the engine off, recording ends for good below this. Common practice: about 11.9 V is
    a battery nearly flat."""


@dataclass(frozen=True, slots=True)
class CaptureRequest:
    """Everything the capture process needs to know before it starts."""

    link_url: str
    signals: tuple[str, ...] = ()
    """Acronyms wanted; empty: the default set, as far as the car supports it."""
    out: Path | None = None
    """Where the finished file goes; None: watch only, nothing is written."""
    second: Path | None = None
    """A folder, best on another disk, that the journal is mirrored to; None: the user's own data
    folder takes over, once the disk of `out` has failed."""
    vehicle: Car = field(default_factory=Car)
    """What is stated of the car; where another one answers, that is left out."""
    known: KnownCars = field(default_factory=KnownCars)
    """Cars met before: their facts go into their recordings."""
    note: str = ""
    surroundings: Surroundings = field(default_factory=Surroundings)
    """What somebody states of soak, height and humidity; goes into the facts' `extra`."""
    limit_s: float | None = None
    """Stop after this long on the recording's clock; None: until stopped."""
    rates_hz: dict[str, float] = field(default_factory=dict)
    """Wanted rates by acronym; a signal that is missing gets its default."""
    exchanges: bool = True
    """What was sent and answered is kept beside the samples."""
    resume: Path | None = None
    """Journal of a capture that died, to go on with in the same recording; None: a new one."""
    rules: tuple[MarkRule, ...] = ()
    """Markers set by rule."""
    unattended: Unattended | None = None
    """Not None: `out` names the folder's files (with a number behind it), one a key cycle."""
    hold_s: float | None = None
    """Not None: watch, with the last seconds (on the recording's clock) kept in memory, until a
    `Start` names the file; `out` stays None and `limit_s` counts from then on."""


# --- from the capture process ---


@dataclass(frozen=True, slots=True)
class Step:
    """One sentence of what is being done while connecting, reconnecting or finishing."""

    text: str


class Trouble(Step):
    """One that should be seen at once: the disk takes nothing, the recording goes on elsewhere."""


@dataclass(frozen=True, slots=True)
class CarFound:
    """The car answered; `signals` are those that will be polled. Comes again after a `Choose`."""

    facts: CarFacts
    signals: tuple[str, ...]
    unsupported: tuple[str, ...] = ()
    recording_id: str = ""
    """Of the recording that the batches which follow belong to."""
    started_utc: str = ""
    """Of t = 0 of these batches; empty where the date is not known."""
    vehicle: Car = field(default_factory=Car)
    """What is known of it, as it goes into the recording."""
    instead: str = ""
    """Where it is another car than the one that was stated: what tells them apart."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Samples, as the bytes of one Arrow IPC stream (schema: `recording.journal.BATCH_SCHEMA`)."""

    arrow: bytes
    samples: int


@dataclass(frozen=True, slots=True)
class Status:
    """Twice a second, and the heartbeat: how it goes.

    Times and rates are on the recording's clock, which a hurried simulated car runs faster.
    """

    elapsed_s: float
    samples: int
    samples_per_s: float
    """Over the last seconds."""
    size_bytes: int
    rates_hz: dict[str, float] = field(default_factory=dict)
    """Achieved rate by acronym over the last seconds."""
    link: str = "connected"
    """`connecting`, `connected`, `lost`; `silent` when the link works and the car does not answer,
    as with the key off; `waiting` for the engine, in an unattended run."""
    dropped: int = 0
    """Samples that were not sent because the watcher did not read; the journal has them."""
    held_s: float | None = None
    """While only watching: the seconds that a recording started now could start with."""
    room_s: float | None = None
    """Real seconds of recording that the disk has room for at the pace so far; None: not known."""


@dataclass(frozen=True, slots=True)
class Started:
    """The recording was started; times of all that follows count from its start.

    `since_ns`: its t = 0 on the clock that was used until then. What came before it is not in the
    recording; what came after it is, whether shown already or not.
    """

    since_ns: int
    started_utc: str
    """Of t = 0."""


@dataclass(frozen=True, slots=True)
class CarChanged:
    """Another car answers than before: what was recorded of the first is finished, and `CarFound`
    for the second follows, with a recording of its own where the first had one."""

    sentence: str
    path: Path | None = None
    """The first car's recording; None where there is none."""
    same_car: bool = False
    """It is the same car, but nobody knows how much later: the recording before is finished, too.
    """


@dataclass(frozen=True, slots=True)
class BrokeOff:
    """The capture process of an unattended run has ended unexpectedly, and is started again."""

    sentence: str
    path: Path | None = None
    """The journal left of what was being recorded; None where there is none."""


@dataclass(frozen=True, slots=True)
class NotStarted:
    """The recording could not be started (the disk, the folder); watching goes on."""

    sentence: str


@dataclass(frozen=True, slots=True)
class NotChosen:
    """Other signals could not be asked for; those of before go on."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Finished:
    """The recording is complete on disk (`path`) with all its `samples`, or there was none to write
    (None) and they were only watched.

    An unattended run may have made others before; the numbers are of them all.
    """

    path: Path | None
    samples: int
    elapsed_s: float
    others: int = 0
    """Recordings besides `path`."""
    sentence: str = ""
    """What is to be known of the files: another place than was asked for, a mirror that failed."""


@dataclass(frozen=True, slots=True)
class Failed:
    """It ended because the world went wrong; `path` is what could be saved, if anything."""

    sentence: str
    error: str = "LogbenchError"
    """Class name in `logbench.errors`."""
    path: Path | None = None
    samples: int = 0
    """In `path`."""


Message = (
    Step
    | CarFound
    | CarChanged
    | BrokeOff
    | Batch
    | Status
    | Event
    | Started
    | NotStarted
    | NotChosen
    | Finished
    | Failed
)
"""An `Event` comes when it was put into the recording."""


# --- to the capture process ---


@dataclass(frozen=True, slots=True)
class Mark:
    """Put a marker at the instant this is received, or at an earlier one."""

    text: str = ""
    t_ns: int | None = None
    """On the recording's clock."""


@dataclass(frozen=True, slots=True)
class Start:
    """Start the recording of what was only watched so far (`CaptureRequest.hold_s`): `Started` or
    `NotStarted` comes."""

    out: Path
    """Where the finished file goes."""
    include: bool = True
    """Start with the samples kept, not with the next one."""


@dataclass(frozen=True, slots=True)
class Choose:
    """Ask for other signals from now on, on the link there is: `CarFound` or `NotChosen` comes."""

    signals: tuple[str, ...] = ()
    """As in the request."""
    rates_hz: dict[str, float] = field(default_factory=dict)
    """As in the request."""


@dataclass(frozen=True, slots=True)
class Describe:
    """Put these facts of the car into the recording, or into the one that may yet be started."""

    vehicle: Car
    known: KnownCars
    """Cars met before, with the answer that this follows from."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Finish the recording and end."""


Command = Mark | Start | Choose | Describe | Stop
