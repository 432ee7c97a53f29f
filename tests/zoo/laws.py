"""A peer recorded over its URL, and the three laws that the recording must keep.

1. No value that the car did not send, none at a time further off than the round trip.
2. No chosen signal that the peer can give stays without samples, and none starves, or is not given
   at all, without a sentence that names it.
3. After 10 s, at least 0.9 of the peer's own optimum.
"""

from __future__ import annotations

import itertools
import threading
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from logbench.capture.messages import CaptureRequest, CarFound, Failed, Message, Step, Stop
from logbench.capture.process import make_source
from logbench.capture.session import Session
from logbench.capture.sources.model import Opened, Source
from logbench.vehicle.model import Progress, Reading
from tests.zoo.bus import Given
from tests.zoo.grammar import PIDS, Peer
from tests.zoo.optimum import find_optimum
from tests.zoo.serve import Served, serve
from tests.zoo.stalls import Stalls

LEARNING_S = 10.0
MEASURED_S = 5.0
CONNECTING_S = 40.0
SLACK_S = 0.05
"""A busy computer stamps late."""
LEAST_SHARE = 0.9
MOST_STALLED = 0.05
"""A rate that is too low is not judged where the machine stood still for a larger share."""
STARVED_S = 4.0
"""A signal of which no sample comes for so long, and for ten rounds of the optimum, starves."""


class Overheard(Source):
    """A source whose readings are kept as they come, on its own clock."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.readings: list[Reading] = []

    def open(self, progress: Progress) -> Opened:
        return self._source.open(progress)

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        return self._source.choose(signals, rates_hz)

    def read(self) -> list[Reading]:
        found = self._source.read()
        self.readings += found
        return found

    def now_ns(self) -> int:
        return self._source.now_ns()

    def voltage(self) -> float | None:
        return self._source.voltage()

    def sleep(self) -> None:
        self._source.sleep()

    def cancel(self) -> None:
        self._source.cancel()

    def close(self) -> None:
        self._source.close()


class Watcher:
    """Keeps what the session says, with times of the source's clock."""

    dropped = 0

    def __init__(self, source: Overheard) -> None:
        self._source = source
        self.said: list[tuple[float, str]] = []
        self.found: CarFound | None = None

    def message(self, message: Message) -> None:
        if isinstance(message, Step):
            self.said.append((self._source.now_ns() / 1e9, message.text))
        elif isinstance(message, CarFound):
            self.found = self.found or message

    def rows(self, rows: Sequence[object]) -> None:
        """The source keeps them."""


@dataclass(slots=True)
class Verdict:
    """How a peer fared."""

    seed: int
    breaches: dict[int, list[str]] = field(default_factory=lambda: defaultdict(list))
    """By law."""
    share: float = 0.0
    """Of the optimum."""
    optimum_hz: float = 0.0
    connected_s: float = 0.0
    samples: int = 0
    stalled: float = 0.0
    """Share of the measured time in which the machine kept the process from running."""
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    traits: str = ""

    @property
    def holds(self) -> bool:
        return not self.breaches

    @property
    def judged(self) -> bool:
        """Whether the rate says anything."""
        return self.share >= LEAST_SHARE or self.stalled <= MOST_STALLED


def judge(peer: Peer, measured_s: float = MEASURED_S) -> Verdict:
    """Record `peer`, and hold the recording against the laws."""
    verdict = Verdict(peer.seed, traits=peer.odd_traits())
    acronyms = tuple(PIDS[pid].acronym for pid in peer.car.chosen)
    with serve(peer) as served, Stalls() as stalls:
        request = CaptureRequest(
            served.url,
            signals=acronyms,
            rates_hz=dict.fromkeys(acronyms, 10.0),
            limit_s=LEARNING_S + measured_s,
        )
        source = Overheard(make_source(request))
        watcher = Watcher(source)
        start_s = source.now_ns() / 1e9
        session = Session(request, source, watcher)  # type: ignore[arg-type]
        longest_s = CONNECTING_S + LEARNING_S + measured_s
        alarm = threading.Timer(longest_s, session.command, (Stop(),))
        alarm.start()
        ending = session.run()
        alarm.cancel()
        end_s = source.now_ns() / 1e9
        _report(verdict, served, source.readings, watcher, start_s)
    said = [*watcher.said, *((event.t_ns / 1e9, event.text) for event in session.facts.events)]
    if isinstance(ending, Failed) or not source.readings:
        why = ending.sentence if isinstance(ending, Failed) else "stopped"
        verdict.breaches[2].append(f"no samples at all: {why}")
        return verdict
    _first_law(verdict, peer, source.readings, served.ledger, start_s, stalls)
    _second_law(verdict, peer, source.readings, said, end_s)
    verdict.stalled = stalls.share(end_s - measured_s, end_s)
    _third_law(verdict, peer, source.readings, end_s)
    return verdict


def _report(
    verdict: Verdict, served: Served, readings: list[Reading], watcher: Watcher, start_s: float
) -> None:
    verdict.samples = len(readings)
    verdict.connected_s = readings[0].t_ns / 1e9 - start_s if readings else 0.0
    verdict.said = [f"{t_s - start_s:7.3f} {text}" for t_s, text in watcher.said]
    verdict.asked = [f"{t_s - start_s:7.3f} {text}" for t_s, text in served.asked]


# --- the laws ---


def _first_law(
    verdict: Verdict,
    peer: Peer,
    readings: list[Reading],
    ledger: list[Given],
    start_s: float,
    stalls: Stalls,
) -> None:
    by_acronym = {PIDS[pid].acronym: PIDS[pid] for pid in peer.car.chosen}
    names_known = peer.adapter is None or peer.adapter.headers == "obeys"
    given: dict[tuple[int, str], list[Given]] = defaultdict(list)
    for value in ledger:
        given[value.pid, value.ecu if names_known else ""].append(value)
    for reading in readings:
        pid = by_acronym.get(reading.signal)
        if pid is None:
            verdict.breaches[1].append(f"{reading.signal} was not chosen")
            continue
        raw = (reading.value - pid.offset) / pid.scale
        same = [
            value
            for value in given[pid.number, reading.ecu if names_known else ""]
            if abs(value.raw - raw) < 0.01
        ]
        at_s = reading.t_ns / 1e9 - start_s
        text = f"{reading.signal} of {reading.ecu} is raw {raw:.2f} at {at_s:.3f} s"
        if not same:
            verdict.breaches[1].append(f"{text}: never sent")
            continue
        off_s, nearest = min(
            ((abs(value.t_s - reading.t_ns / 1e9), value) for value in same), key=lambda p: p[0]
        )
        trip_s = nearest.during.ended_s - nearest.during.asked_s
        if off_s > trip_s + SLACK_S + stalls.longest_s(nearest.t_s):
            verdict.breaches[1].append(
                f"{text}: sent at {nearest.t_s - start_s:.3f} s, round trip {trip_s:.3f} s"
            )


def _second_law(
    verdict: Verdict,
    peer: Peer,
    readings: list[Reading],
    said: list[tuple[float, str]],
    end_s: float,
) -> None:
    limit_s = max(STARVED_S, 10 * find_optimum(peer).round_s)
    begin_s = readings[0].t_ns / 1e9
    all_said = "\n".join(text for _, text in said)
    for number in peer.car.chosen:
        acronym = PIDS[number].acronym
        times = [r.t_ns / 1e9 for r in readings if r.signal == acronym]
        named = acronym in all_said
        if number not in peer.given:
            # of what two ECUs answer without headers, one sentence for all will do
            told = named or (number in peer.car.given and "does not say which" in all_said)
            if not told and not times:
                verdict.breaches[2].append(f"{acronym} cannot be had, and nobody is told")
            continue
        if not times:
            verdict.breaches[2].append(f"{acronym} has no sample; named: {named}")
            continue
        edges = [begin_s, *times, end_s]
        gap_s, at_s = max(
            (later - earlier, earlier) for earlier, later in itertools.pairwise(edges)
        )
        if gap_s > limit_s and not named:
            verdict.breaches[2].append(
                f"{acronym} starves for {gap_s:.1f} s from {at_s - begin_s:.1f} s on, untold"
            )


def _third_law(verdict: Verdict, peer: Peer, readings: list[Reading], end_s: float) -> None:
    optimum = find_optimum(peer)
    verdict.optimum_hz = optimum.rate_hz
    from_s = readings[0].t_ns / 1e9 + LEARNING_S
    seen: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for reading in readings:
        if reading.t_ns / 1e9 >= from_s:
            seen[reading.signal][reading.ecu] += 1
    counted = sum(max(by_ecu.values()) for by_ecu in seen.values())
    verdict.share = counted / max(end_s - from_s, 0.1) / optimum.rate_hz
    if verdict.share < LEAST_SHARE and verdict.judged:
        verdict.breaches[3].append(
            f"{verdict.share:.3f} of the optimum of {optimum.rate_hz:.1f} PIDs/s"
        )
