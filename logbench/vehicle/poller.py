"""Polls the wanted signals: packs, asks, splits, decodes, checks; goes on whatever comes back."""

from __future__ import annotations

import logging
import math
import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logbench.errors import ReplyError, SignalUnsupportedError
from logbench.signals.decoding import decode, scaling_from
from logbench.signals.groups import TOGETHER
from logbench.signals.model import Scaling, Signal
from logbench.signals.rates import wanted_rate_hz
from logbench.signals.table import table
from logbench.vehicle.cost import CostFigures, CostModel
from logbench.vehicle.discovery import ask
from logbench.vehicle.framing import frames_of
from logbench.vehicle.link import NEGATIVE, Exchange, Link, silent
from logbench.vehicle.model import CarFacts, Progress, Reading, Reply
from logbench.vehicle.scheduler import Scheduler
from logbench.vehicle.services import DataService, data_service

log = logging.getLogger(__name__)

_RANGE_SLACK = 1e-9
_MISSES = 3
"""So many times in a row a PID must be missing before it is asked alone, and before it is lost."""
_LOST_RETRY_S = 10.0
_REPLAN_AFTER = (40, 400)
"""Requests after which the packing is chosen anew with what the cost model has learnt."""
_RATE_WINDOW_S = 5.0


@dataclass(slots=True)
class _Expectation:
    """What is known of one request: frames that come back, None until seen."""

    frames: int | None
    odd: int = 0


@dataclass(slots=True)
class PollerCounts:
    """How it has gone so far."""

    requests: int = 0
    samples: int = 0
    damaged: int = 0
    silent: int = 0
    refused: int = 0
    out_of_range: int = 0


@dataclass(slots=True)
class _Pid:
    """State of one polled PID."""

    pid: int
    ecus: tuple[str, ...]
    signals: tuple[Signal, ...]
    misses: int = 0
    lost: bool = False


class Poller:
    """Polls `signals` of the car behind a connected `link`.

    `rates_hz`: wanted rates by acronym; a missing one gets the default of its kind. Raises
    SignalUnsupportedError for a signal that the car does not report, naming near ones it does.
    `progress` is told in sentences when something changes on the way.
    """

    def __init__(
        self,
        link: Link,
        facts: CarFacts,
        signals: Sequence[str],
        rates_hz: Mapping[str, float] | None = None,
        progress: Progress | None = None,
    ) -> None:
        self._link = link
        self._tell = progress or silent
        self._service: DataService = data_service(link.service)
        chosen = [resolve(acronym, facts) for acronym in dict.fromkeys(signals)]
        self.signals = tuple(signal.acronym for signal in chosen)
        self._supported = facts.supported
        self._pids = _by_pid(chosen, facts)
        self._lengths = _lengths(chosen)
        self._to = _single_ecu(link, facts, self._pids)
        self._expected: dict[tuple[int, ...], _Expectation] = {}
        self._line = 20.0
        self.cost = CostModel()
        self.counts = PollerCounts()
        self._scaling = self._read_scaling(chosen)
        self._scheduler = Scheduler(
            rates_hz=_pid_rates(chosen, rates_hz or {}),
            most=self._service.most if link.packs else 1,
            cost_of=self._cost_of,
            together=TOGETHER,
        )
        self._recent: deque[tuple[float, str]] = deque()
        self._first_s: float | None = None
        self._last_reply_s = time.monotonic()
        self._refused_packs = 0

    # --- for users ---

    def step(self) -> list[Reading]:
        """One request; the samples it brought, oldest first, possibly none.

        All samples of one request share the time stamp in the middle of its round trip. A garbled,
        missing or refused reply costs its samples only. Raises LinkLostError when the link is gone.
        """
        now_s = time.monotonic()
        pids = self._scheduler.next(now_s)
        readings = self._ask(pids)
        self._scheduler.asked(pids, time.monotonic())
        self._count(readings)
        if self.counts.requests in _REPLAN_AFTER:
            self._scheduler.plan()
        return readings

    def rates(self) -> dict[str, float]:
        """Achieved rate by acronym in Hz over the last seconds."""
        now_s = time.monotonic()
        self._forget(now_s)
        if self._first_s is None:
            return dict.fromkeys(self.signals, 0.0)
        window_s = max(min(_RATE_WINDOW_S, now_s - self._first_s), 1e-3)
        rates = dict.fromkeys(self.signals, 0.0)
        for _, acronym in self._recent:
            rates[acronym] += 1 / window_s
        return rates

    @property
    def silent_s(self) -> float:
        """Seconds since the car last answered anything."""
        return time.monotonic() - self._last_reply_s

    @property
    def figures(self) -> CostFigures:
        """What the wire costs, as learnt."""
        return self.cost.figures

    # --- asking ---

    def _ask(self, pids: tuple[int, ...]) -> list[Reading]:
        """One exchange, and at once a second one with fewer PIDs where packing may be refused."""
        exchange = self._exchange(pids)
        if exchange is None:
            return []
        readings, answered = self._take(exchange.replies, pids)
        if exchange.replies:
            self._last_reply_s = time.monotonic()
        elif not exchange.damaged:
            self.counts.silent += 1
        self._expect(pids, exchange, answered)
        if len(pids) > 1 and not exchange.damaged and len(answered) <= 1:
            return readings + self._try_alone(pids, answered)
        self._refused_packs = 0
        self._watch(pids, answered, exchange)
        return readings

    def _exchange(self, pids: tuple[int, ...]) -> Exchange | None:
        """The round trip; None when nothing usable came."""
        expected = self._expected.get(pids)
        frames = self._predicted(pids) if expected is None else expected.frames
        self.counts.requests += 1
        try:
            exchange = self._link.exchange(self._service.payload(pids), frames, to=self._to)
        except ReplyError as error:
            log.info("PIDs %s: %s", [f"{p:02X}" for p in pids], error)
            self.counts.damaged += 1
            return None
        self.counts.damaged += exchange.damaged
        if exchange.replies and not exchange.damaged:
            self.cost.learn(exchange.elapsed_s, exchange.sent + exchange.received, exchange.frames)
            if exchange.frames:
                self._line += 0.05 * (exchange.received / exchange.frames - self._line)
        return exchange

    def _expect(
        self, pids: tuple[int, ...], exchange: Exchange, answered: Mapping[int, set[str]]
    ) -> None:
        """Learn how many frames answer this request."""
        known = self._expected.setdefault(pids, _Expectation(self._predicted(pids)))
        complete = all(answered.get(pid, set()) >= set(self._ecus(pid)) for pid in pids)
        if exchange.damaged or not exchange.replies or exchange.frames == known.frames:
            known.odd = 0 if exchange.frames == known.frames else known.odd + 1
            if known.odd >= 2 and not complete:
                known.frames, known.odd = None, 0
            return
        if known.frames is None or complete:
            known.frames = exchange.frames
            return
        known.odd += 1
        if known.odd >= 2:
            # Too few came: an ECU has dropped out, or the count was wrong. Look without a count.
            known.frames, known.odd = None, 0

    def _try_alone(self, pids: tuple[int, ...], answered: Mapping[int, set[str]]) -> list[Reading]:
        """A packed request brought nothing or its first PID only: does the car take single ones?"""
        alone = next(pid for pid in pids if pid not in answered)
        exchange = self._exchange((alone,))
        if exchange is None:
            return []
        readings, single = self._take(exchange.replies, (alone,))
        if not single:
            self._watch((alone,), single, exchange)
            return readings
        self._last_reply_s = time.monotonic()
        self._refused_packs += 1
        if self._refused_packs >= 2:
            self._refused_packs = 0
            self._scheduler.most = max(1, min(len(pids), self._scheduler.most) // 2)
            self._scheduler.plan()
            self._tell(
                f"The car or the adapter refuses {len(pids)} signals in one request: "
                f"going on with at most {self._scheduler.most}, which is slower."
            )
        return readings

    def _watch(
        self, pids: tuple[int, ...], answered: Mapping[int, set[str]], exchange: Exchange
    ) -> None:
        """Notice a PID that no longer comes although the car answers."""
        if exchange.damaged or self.silent_s > 1.0:
            return
        for pid in pids:
            state = self._pids[pid]
            if pid in answered:
                if state.lost:
                    self._tell(f"The car reports {_names(state)} again.")
                    state.lost = False
                    self._scheduler.resume(pid)
                state.misses = 0
                continue
            state.misses += 1
            if state.misses < _MISSES:
                continue
            state.misses = 0
            if len(pids) > 1:
                self._scheduler.solo.add(pid)
                self._scheduler.plan()
            else:
                self._lose(state)

    def _lose(self, state: _Pid) -> None:
        if state.lost:
            return
        self._tell(
            f"The car no longer reports {_names(state)}: asking again every {_LOST_RETRY_S:.0f} s."
        )
        state.lost = True
        self._scheduler.suspend(state.pid, 1 / _LOST_RETRY_S)

    # --- understanding ---

    def _take(
        self, replies: Sequence[Reply], pids: tuple[int, ...]
    ) -> tuple[list[Reading], dict[int, set[str]]]:
        """Samples of the replies, and which ECUs answered which PID."""
        readings: list[Reading] = []
        answered: dict[int, set[str]] = {}
        for reply in replies:
            if reply.data[0] == NEGATIVE:
                self.counts.refused += 1
                continue
            for pid, data in self._split(reply, pids):
                answered.setdefault(pid, set()).add(reply.ecu)
                readings += self._decode(pid, data, reply)
        return readings, answered

    def _split(self, reply: Reply, pids: tuple[int, ...]) -> list[tuple[int, bytes]]:
        """PIDs and their data; nothing when the reply is not wholly understood."""
        lengths = self._lengths
        try:
            parts = self._service.split(reply.data, lengths)
        except ReplyError as error:
            if len(pids) == 1:
                return self._split_single(reply, pids[0])
            log.info("%s from %s: %s", reply.data.hex(), reply.ecu, error)
            self.counts.damaged += 1
            return []
        if any(pid not in pids for pid, _ in parts):
            self.counts.damaged += 1
            return []
        return parts

    def _split_single(self, reply: Reply, pid: int) -> list[tuple[int, bytes]]:
        """A lone PID's reply shows its true length, which may be more than the table's."""
        head = len(self._service.payload((pid,)))
        data = reply.data[head:]
        if reply.data[1:head] != self._service.payload((pid,))[1:]:
            self.counts.damaged += 1
            return []
        if len(data) > table().length(pid):
            log.info("PID %02X has %d data bytes in this car", pid, len(data))
            self._lengths[pid] = len(data)
            return [(pid, data)]
        self.counts.damaged += 1
        return []

    def _decode(self, pid: int, data: bytes, reply: Reply) -> list[Reading]:
        try:
            values = decode(pid, data, self._scaling.get(reply.ecu))
        except ReplyError as error:
            log.info("PID %02X: %s", pid, error)
            self.counts.damaged += 1
            return []
        readings: list[Reading] = []
        for signal in self._pids[pid].signals:
            value = values[signal.acronym]
            if not math.isnan(value) and not self._plausible(signal, value, reply.ecu):
                self.counts.out_of_range += 1
                continue
            readings.append(Reading(signal.acronym, reply.ecu, reply.t_ns, value))
        return readings

    def _plausible(self, signal: Signal, value: float, ecu: str) -> bool:
        """Within the signal's range; a scaling of the car's own widens it."""
        slack = _RANGE_SLACK * max(abs(signal.minimum), abs(signal.maximum), 1.0)
        if signal.minimum - slack <= value <= signal.maximum + slack:
            return True
        return bool(signal.override) and ecu in self._scaling

    # --- predicting ---

    def _ecus(self, pid: int) -> tuple[str, ...]:
        return (self._to,) if self._to else self._pids[pid].ecus

    def _predicted(self, pids: tuple[int, ...]) -> int | None:
        """Reply frames to expect of all ECUs."""
        if not self._link.protocol.is_can:
            return sum(len(self._ecus(pid)) for pid in pids) if self._all_short(pids) else None
        by_ecu: dict[str, list[int]] = {}
        for pid in pids:
            for ecu in self._ecus(pid):
                by_ecu.setdefault(ecu, []).append(pid)
        return sum(
            frames_of(self._service.reply_bytes(of_ecu, self._lengths))
            for of_ecu in by_ecu.values()
        )

    def _all_short(self, pids: tuple[int, ...]) -> bool:
        """On the older buses one frame holds up to five data bytes."""
        return all(self._lengths[pid] <= 5 for pid in pids)

    def _cost_of(self, pids: tuple[int, ...], repeated: bool) -> float:
        frames = self._predicted(pids) or 2 * len(pids)
        sent = 1 if repeated and self._link.repeats else 2 * len(self._service.payload(pids)) + 2
        return self.cost.predict_s(sent + frames * self._line, frames)

    # --- start ---

    def _read_scaling(self, chosen: Sequence[Signal]) -> dict[str, Scaling]:
        """Scaling by ECU from PID 4F and 50, where a chosen signal depends on it."""
        if not any(signal.override for signal in chosen):
            return {}
        found: dict[str, dict[int, bytes]] = {}
        for pid in (0x4F, 0x50):
            if not any(pid in pids for pids in self._supported.values()):
                continue
            for reply in ask(self._link, self._service.payload((pid,))):
                try:
                    parts = self._service.split(reply.data, {pid: 4})
                except ReplyError as error:
                    log.info("scaling not understood: %s", error)
                    continue
                found.setdefault(reply.ecu, {}).update(parts)
        scalings = {
            ecu: scaling_from(data.get(0x4F), data.get(0x50)) for ecu, data in found.items()
        }
        return {ecu: scaling for ecu, scaling in scalings.items() if scaling != Scaling()}

    def _count(self, readings: list[Reading]) -> None:
        now_s = time.monotonic()
        if readings and self._first_s is None:
            self._first_s = now_s
        self.counts.samples += len(readings)
        self._recent.extend((now_s, reading.signal) for reading in readings)
        self._forget(now_s)

    def _forget(self, now_s: float) -> None:
        recent = self._recent
        while recent and recent[0][0] < now_s - _RATE_WINDOW_S:
            recent.popleft()


def resolve(acronym: str, facts: CarFacts) -> Signal:
    """The signal, if an ECU of the car reports it.

    Raises SignalUnknownError, or SignalUnsupportedError naming near ones that the car reports.
    """
    known = table()
    signal = known.by_acronym(acronym)
    supported = frozenset[int]().union(*facts.supported.values())
    if signal.pid in supported:
        return signal
    same = [s.acronym for s in known.alternatives(signal.standard) if s.pid in supported]
    near = [a for a in known.near(acronym) if known.by_acronym(a).pid in supported]
    words = [w for w in signal.name.lower().split() if len(w) > 4]
    akin = [
        s.acronym
        for s in known
        if s.pid in supported and any(word in s.name.lower() for word in words)
    ]
    proposals = list(dict.fromkeys(same + near + akin))[:4]
    hint = f"it does report {', '.join(proposals)}" if proposals else "leave it out"
    raise SignalUnsupportedError(
        f"This car does not report {signal.acronym} ({signal.name}): {hint}."
    )


def _by_pid(chosen: Sequence[Signal], facts: CarFacts) -> dict[int, _Pid]:
    found: dict[int, _Pid] = {}
    for pid in dict.fromkeys(signal.pid for signal in chosen):
        ecus = tuple(ecu for ecu, pids in facts.supported.items() if pid in pids)
        signals = tuple(signal for signal in chosen if signal.pid == pid)
        found[pid] = _Pid(pid, ecus, signals)
    return found


def _lengths(chosen: Sequence[Signal]) -> dict[int, int]:
    """Data bytes of the polled PIDs; any other PID in a reply is an error."""
    return {signal.pid: signal.length for signal in chosen}


def _pid_rates(chosen: Sequence[Signal], rates_hz: Mapping[str, float]) -> dict[int, float]:
    """Wanted rate of each PID: the highest of its signals."""
    rates: dict[int, float] = {}
    for signal in chosen:
        rate = rates_hz.get(signal.acronym) or wanted_rate_hz(signal)
        rates[signal.pid] = max(rates.get(signal.pid, 0.0), rate)
    return rates


def _single_ecu(link: Link, facts: CarFacts, pids: Mapping[int, _Pid]) -> str | None:
    """The ECU to ask alone: where one has all PIDs, others would answer too, and it works."""
    if not link.protocol.is_can or len(facts.supported) < 2:
        return None
    wanted = set(pids)
    full = [ecu for ecu, supported in facts.supported.items() if wanted <= supported]
    if not full or all(len(state.ecus) == 1 for state in pids.values()):
        return None
    service = data_service(link.service)
    probe = service.payload((min(wanted),))
    try:
        replies = link.request(probe, 1, to=full[0])
    except ReplyError as error:
        log.info("asking %s alone does not work: %s", full[0], error)
        return None
    if any(reply.ecu == full[0] and reply.data[0] != NEGATIVE for reply in replies):
        return full[0]
    return None


def _names(state: _Pid) -> str:
    return ", ".join(signal.acronym for signal in state.signals)
