"""Where a capture's samples come from: what every source can do."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

from logbench.car.peer import PeerProfile
from logbench.recording.exchanges import Said
from logbench.vehicle.model import CarFacts, Progress, Reading


@dataclass(frozen=True, slots=True)
class Opened:
    """What a source knows once it is open."""

    facts: CarFacts
    signals: tuple[str, ...]
    """Acronyms that will be polled."""
    unsupported: tuple[str, ...] = ()
    """Acronyms asked for that this car does not report."""
    simulated: bool = False
    time_scale: float = 1.0
    """Seconds of the source's clock per second of real time."""
    steady: bool = True
    """False where the clock keeps no pace with real time: it jumps from sample to sample."""


class Source(ABC):
    """Yields readings; opened again after a loss it goes on with the same clock.

    One without an adapter has nothing more to supply than the first four methods.
    """

    @abstractmethod
    def open(self, progress: Progress) -> Opened:
        """Connect and find out what there is, again after a loss: then perhaps of another car.

        Raises a `LinkError` when there is nothing.
        """

    @abstractmethod
    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Ask for other signals from now on, once it was open; same clock, same link.

        Raises `SignalUnsupportedError` where there is none of them; then nothing has changed.
        """

    @abstractmethod
    def read(self) -> list[Reading]:
        """The next readings, in order of time for each trace.

        Blocks for one request at most. Raises `LinkLostError` and its like when the way to the car
        is broken; `EndOfSourceError` when there will be no more.
        """

    @abstractmethod
    def now_ns(self) -> int:
        """The source's clock, on which readings are stamped; never goes backward."""

    def exchanges(self) -> list[Said]:
        """What was sent and answered since the last call, on the source's clock, where it is kept;
        a source without requests has none."""
        return []

    def learned(self) -> Opened | None:
        """What is newly known of the car since the last call, while it was read; mostly None."""
        return None

    def profile(self) -> PeerProfile | None:
        """How the car answers, as far as was learned; None where there is none."""
        return None

    def voltage(self) -> float | None:
        """Volts at the car, found without a word to it; None where nobody can say.

        Wakes a resting adapter; also before the first `open`.
        """
        return None

    def sleep(self) -> None:  # noqa: B027 - most need not
        """Let car and adapter sleep until the next `open`, `read` or `voltage`; never raises."""

    def cancel(self) -> None:  # noqa: B027 - most need not
        """From any thread: an `open` under way or to come ends soon, with
        `ConnectingStoppedError`."""

    def close(self) -> None:  # noqa: B027 - most need not
        """Let go of everything; may be called at any time and more than once."""


class EndOfSourceError(Exception):
    """The source has run out (a replayed recording, a test); not an error of the world."""
