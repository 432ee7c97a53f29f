"""Polls the wanted signals: packs, asks, splits, decodes, checks; goes on whatever comes back."""

from __future__ import annotations

import logging
import math
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from logbench.car.peer import PeerProfile
from logbench.errors import ReplyError, RequestRefusedError
from logbench.signals.table import TOGETHER, table
from logbench.vehicle.asking import ask
from logbench.vehicle.discovery import name_ecus, read_scaling
from logbench.vehicle.framing import Raw
from logbench.vehicle.link import NEGATIVE, Exchange, Link, silent
from logbench.vehicle.lists import complete
from logbench.vehicle.model import CarFacts, Progress, Reading, Reply
from logbench.vehicle.peer import SURE, Kind, Peer, Pids
from logbench.vehicle.replies import Answered, CostModel, FrameBook, ReplyReader
from logbench.vehicle.scheduler import Scheduler
from logbench.vehicle.wanted import (
    DataService,
    PolledPid,
    data_service,
    pid_rates,
    polled_pids,
)
from logbench.vehicle.watch import Watch

log = logging.getLogger(__name__)

_REPLAN_EARLY, _EARLY_GAIN = 12, 0.4
"""The same after so few requests that only a great saving is believed."""
_LOST_RETRY_S = 10.0
_SETTLED_S = 1.5
"""So long nothing has changed before it is said how many PIDs go into a request."""
_REPLAN_AFTER = (40, 150, 600)
"""Requests after which the packing is chosen anew with what the cost model has learned."""
_ALONE_AT = (6, 8, 10, 35, 38)
"""Requests that are for a single PID, so that it is seen what a short reply takes."""
_LISTS_S = (3.0, 60.0)
"""So long after it stayed away a list of PIDs is asked for again, twice as long each time, up to
the second."""
_NAMES_S = 0.2
"""So long after the start the names of the ECUs are asked for: the samples come first."""
_SEEN, _PATIENT = 20, 4.0
"""Replies after which it is known how long they take; so many times that is waited for one."""
_CAN_TIMEOUT_S = 1.5
"""An adapter that has not answered a poll on CAN for so long is asked for a sign of life."""

PATIENCE_S = 1.0
"""So long without a sample, the user is notified."""
DAMAGED = (
    "the replies arrive damaged; check the adapter's plug and cable, "
    "or go nearer to a radio adapter"
)


class Poller:
    """Polls `signals`, which the car behind a connected `link` supports.

    `rates_hz`: wanted rates by acronym; a missing one gets the default of its kind. `progress` gets
    a sentence when something changes on the way. `known`: what was learned before.
    Raises SignalUnknownError, and SignalUnsupportedError where nothing is chosen.
    """

    def __init__(
        self,
        link: Link,
        facts: CarFacts,
        signals: Sequence[str],
        rates_hz: Mapping[str, float] | None = None,
        progress: Progress | None = None,
        known: PeerProfile | None = None,
    ) -> None:
        self._link = link
        self._notify = progress or silent
        self.facts = facts
        """As they were given, and what has become known since."""
        self._naming: Iterator[CarFacts] | None = None
        self._lists_wait_s = _LISTS_S[0]
        self._lists_s = time.monotonic() + (_NAMES_S if facts.unnamed else _LISTS_S[0])
        self._good_s = time.monotonic()
        """When samples came last, or the link was set up anew."""
        self._notified = False
        self._service: DataService = data_service(link.service)
        chosen = [table().by_acronym(acronym) for acronym in dict.fromkeys(signals)]
        self.signals = tuple(signal.acronym for signal in chosen)
        self._pids = polled_pids(chosen, facts)
        self._to = _single_ecu(link, facts, self._pids)
        self.counts: Counter[str] = Counter()
        """Of `requests`, and as `ReplyReader`."""
        self._replies = ReplyReader(self._service, self._pids, self.counts)
        self._book = FrameBook(
            self._pids, self._replies.lengths, self._service, link.protocol.is_can, self._to
        )
        self.peer = Peer(self._book.asked, self._book.least)
        self._line_chars = 20.0
        self.cost = CostModel()
        if any(signal.override for signal in chosen):
            self._replies.scaling = read_scaling(partial(ask, link), self._service, facts.supported)
        wanted_hz = pid_rates(chosen, rates_hz or {})
        self._watch = Watch(self._pids, wanted_hz, time.monotonic())
        self._scheduler = Scheduler(
            rates_hz=wanted_hz,
            most=self._service.most if link.protocol.is_can else 1,
            cost_of=self._cost_of,
            together=TOGETHER,
        )
        self._chosen: tuple[int, Pids] | None = None
        self._unlearned: Exchange | None = None
        self._last_reply_s = time.monotonic()
        self._in_vain: Counter[int] = Counter()
        """Witnesses that stayed silent since the car last answered."""
        self._suspect: _Tried | None = None
        """Brought nothing, and nobody knows whether the car is there."""
        self._witness: Pids = ()
        """Asked next, to find out."""
        self._exploring = False
        self._lost: set[int] = set()
        self._changes = 0
        self._settled_s = math.inf
        self._most = self._least_packed = self._scheduler.most
        """PIDs that surely go into one request, and the least that was said of them."""
        self._recall(known)

    # --- for users ---

    @property
    def profile(self) -> PeerProfile:
        """What has been learned of adapter and car, to be kept with the car."""
        return PeerProfile(
            adapter=self._link.adapter,
            protocol=self._link.protocol.name,
            ecus=self.peer.profile(),
            cost_s=self.cost.kept,
        )

    def _recall(self, known: PeerProfile | None) -> None:
        """Begin with what was learned through the same adapter in the same protocol."""
        now = self._link.adapter, self._link.protocol.name
        if known is None or (known.adapter, known.protocol) != now:
            return
        self.peer.recall(known.ecus)
        self.cost.recall(known.cost_s)
        self._adapt()

    def step(self) -> list[Reading]:
        """One request; the samples it brought, oldest first, possibly none.

        All samples of one request share the time stamp in the middle of its round trip. A garbled,
        missing or refused reply costs its samples only. Raises LinkLostError when the link is gone.
        """
        pids = self._next_pids()
        self._link.meanwhile = self._prepare
        readings = self._ask(pids)
        now_s = time.monotonic()
        if readings:
            self._good_s, self._notified = now_s, False
        elif now_s - self._good_s > PATIENCE_S:
            self._watch.restart(now_s)  # nothing comes at all: that is said elsewhere
        for sentence in self._watch.sentences(now_s, self._lost):
            self._notify(sentence)
        if self.peer.changes != self._changes:
            self._adapt()
        elif self.counts["requests"] == _REPLAN_EARLY:
            self._scheduler.plan_if(_EARLY_GAIN)
        elif self.counts["requests"] in _REPLAN_AFTER:
            self._scheduler.plan()
        if time.monotonic() > self._settled_s:
            self._tell()
        if readings and now_s > self._lists_s and (self.facts.unanswered or self.facts.unnamed):
            self._complete()
        return readings

    def _complete(self) -> None:
        """Ask for the names of the ECUs, or a list of PIDs that was announced and not given; one
        request."""
        if self.facts.unnamed:
            self._naming = self._naming or name_ecus(self._link, self.facts)
            facts = next(self._naming)
            self.facts = self.facts if facts.unnamed else facts
            return
        before, base = self.facts, min(self.facts.unanswered.values())
        self.facts = complete(self._link, self._service, before)
        for ecu, pids in self.facts.supported.items():
            if more := pids - before.supported.get(ecu, frozenset()):
                self._notify(
                    f"ECU {ecu} now says what it has from {base + 1:02X} on: {len(more)} more PIDs."
                )
        self._lists_wait_s = _LISTS_S[0] if self.facts != before else 2 * self._lists_wait_s
        self._lists_s = time.monotonic() + min(self._lists_wait_s, _LISTS_S[1])

    def go_on(self) -> None:
        """The link was connected anew, to the same car: what has been learned still holds."""
        self._chosen = self._unlearned = None
        self._suspect, self._witness, self._exploring = None, (), False
        self._naming = None
        self._last_reply_s = self._good_s = time.monotonic()
        self._watch.restart(self._good_s)
        self._notified = False

    @property
    def silent_s(self) -> float:
        """Seconds since the car last answered anything."""
        return time.monotonic() - self._last_reply_s

    def _disturbed(self, why: str) -> None:
        """A request brought nothing though the adapter answers: reported once, with why, when that
        has lasted. A car that is merely silent is none: the capture says so."""
        lasted_s = time.monotonic() - self._good_s
        if lasted_s >= PATIENCE_S and not self._notified:
            self._notified = True
            self._notify(f"No samples for {lasted_s:.0f} s, asking on: {why.rstrip('.')}.")

    # --- choosing ---

    def _next_pids(self) -> Pids:
        """What to ask now: chosen in advance while the last reply was on its way, if valid."""
        witness, self._witness = self._witness, ()
        if witness:
            return witness
        if self._replies.singles:
            return (self._replies.singles.popleft(),)
        if self.counts["requests"] in _ALONE_AT:
            grouped = {pid for group in TOGETHER for pid in group}
            return (next((pid for pid in self._pids if pid not in grouped), min(self._pids)),)
        if again := self._try_again(time.monotonic()):
            self._exploring = True
            return again
        chosen, self._chosen = self._chosen, None
        if chosen is not None and chosen[0] == self._scheduler.plans:
            return chosen[1]
        return self._choose(time.monotonic())

    def _choose(self, now_s: float) -> Pids:
        pids = self._scheduler.next(now_s)
        self._scheduler.asked(pids, now_s + self._scheduler.round_s)
        return pids

    def _prepare(self) -> None:
        """Work done while a reply is on its way: learn from the last one, choose the next."""
        exchange, self._unlearned = self._unlearned, None
        if exchange is not None and exchange.raw.frames:
            raw = exchange.raw
            self.cost.learn(exchange.elapsed_s, raw.sent + raw.received, raw.frames)
            self._line_chars += 0.05 * (raw.received / raw.frames - self._line_chars)
        if self._chosen is None:
            ready_s = time.monotonic() + self._scheduler.round_s
            self._chosen = (self._scheduler.plans, self._choose(ready_s))

    def _cost_of(self, pids: Pids, repeated: bool) -> float:
        frames = self._book.predicted(pids) or 2 * len(pids)
        payload = 2 * len(self._service.payload(pids)) + 2
        sent = 1 if repeated and self._link.repeats else payload
        return self.peer.cost_s(pids, self.cost.predict_s(sent + frames * self._line_chars, frames))

    # --- asking ---

    def _ask(self, pids: Pids) -> list[Reading]:
        """One exchange, and what is learned from it."""
        self.counts["requests"] += 1
        start_s = time.monotonic()
        exchange, kind = self._exchange(pids)
        readings, answered = self._read(exchange.replies, pids)
        raw = exchange.raw
        whole = set(pids) <= set(answered)
        if not whole:
            self._unlearned = None  # what was waited for in vain says nothing of what comes
        self._book.learn(pids, raw.frames, raw.damaged > 0, answered)
        now_s = time.monotonic()
        self._watch.asked(pids, answered, kind, now_s)
        self._judge(_Tried(pids, kind, now_s - start_s), answered, bool(exchange.replies))
        if self._exploring:
            self._exploring = False
            self.peer.explored(now_s, now_s - start_s, pids, whole)
        return readings

    def _exchange(self, pids: Pids) -> tuple[Exchange, Kind]:
        """The round trip; what there was instead of what did not come."""
        nothing = Exchange([], 0.0, Raw())
        try:
            exchange = self._link.exchange(
                self._service.payload(pids),
                self._book.expected(pids),
                self._timeout_s(pids),
                self._to,
            )
        except RequestRefusedError:
            return nothing, Kind.REFUSED
        except ReplyError as error:
            log.info("PIDs %s: %s", [f"{pid:02X}" for pid in pids], error)
            self.counts["damaged"] += 1
            self._disturbed(str(error))
            return nothing, Kind.DAMAGED
        self.counts["damaged"] += exchange.raw.damaged
        self._unlearned = exchange if exchange.replies and not exchange.raw.damaged else None
        if exchange.replies:
            self._last_reply_s = time.monotonic()
        elif exchange.raw.damaged:
            self._disturbed(DAMAGED)
        if exchange.raw.damaged:
            return exchange, Kind.DAMAGED
        if exchange.pending:
            return exchange, Kind.PENDING
        return exchange, Kind.REFUSED if exchange.replies else Kind.SILENT

    def _timeout_s(self, pids: Pids) -> float | None:
        """Without an adapter, a reply is waited for several times as long as it should take; longer
        after one stayed away, and until that is known."""
        if not self._link.protocol.is_can:
            return None
        if not self._link.least_wait_s or self.cost.seen < _SEEN or self._suspect is not None:
            return _CAN_TIMEOUT_S
        usual_s = _PATIENT * self._cost_of(pids, repeated=False)
        return min(_CAN_TIMEOUT_S, max(self._link.least_wait_s, usual_s))

    def _read(self, replies: Sequence[Reply], pids: Pids) -> tuple[list[Reading], Answered]:
        """Samples, and who answered; lengths that turn out otherwise change what to expect."""
        known = self._replies.learned
        found = self._replies.take(replies, pids)
        if self._replies.learned != known:
            self._book.clear()
        return found

    # --- learning what works ---

    def _judge(self, tried: _Tried, answered: Answered, replied: bool) -> None:
        """Whether the car is there at all decides what a failure means: where nothing came, the
        next request shows it, for a single PID that has worked."""
        suspect, self._suspect = self._suspect, None
        if replied or tried.kind in (Kind.REFUSED, Kind.PENDING):
            if suspect is not None and answered and not set(answered) >= set(suspect.pids):
                self.peer.learn(suspect.pids, {}, suspect.kind, suspect.took_s)
            self.peer.learn(tried.pids, answered, tried.kind, tried.took_s)
            self._in_vain.clear()
        elif suspect is not None:
            self._in_vain.update(tried.pids)  # another one next time: this one may be dead
        else:
            self._suspect = tried
            others = tried.pids if len(tried.pids) > 1 else tuple(set(self._pids) - {*tried.pids})
            if others:
                tries = self._in_vain
                best = max(others, key=lambda pid: (-tries[pid], self.peer.alone(pid), -pid))
                self._witness = (best,)

    def _adapt(self) -> None:
        """Something works no more, or again: plan with what does, and say so."""
        self._changes = self.peer.changes
        alone = set()
        for pid, state in self._pids.items():
            ecus = [ecu for ecu in self._book.ecus(pid) if self.peer.comes(ecu, pid)]
            if not all(self.peer.comes(ecu, pid, packed=True) for ecu in ecus):
                alone.add(pid)
            if (not ecus) != (pid in self._lost):
                self._lose(state) if not ecus else self._find(state)
        self._scheduler.solo = alone | self._lost
        self._scheduler.plan()
        most = self.peer.most(self._scheduler.most, SURE)
        if most != self._most:
            self._most, self._settled_s = most, time.monotonic() + _SETTLED_S

    def _tell(self) -> None:
        """Fewer PIDs in a request than ever: said once it is clear how many."""
        self._settled_s, most = math.inf, self._most
        if most < self._least_packed:
            self._least_packed = most
            self._notify(
                f"With more than {most} signal{'' if most == 1 else 's'} in one request "
                f"{self.peer.why(most + 1)}: asking for {'one' if most == 1 else f'up to {most}'} "
                "at a time, which is slower."
            )

    def _lose(self, state: PolledPid) -> None:
        self._lost.add(state.pid)
        self._scheduler.suspend(state.pid, 1 / _LOST_RETRY_S)
        self._notify(
            f"The car no longer reports {state.names}: asking again every {_LOST_RETRY_S:.0f} s."
        )

    def _find(self, state: PolledPid) -> None:
        self._lost.discard(state.pid)
        self._scheduler.resume(state.pid)
        self._notify(f"The car reports {state.names} again.")

    def _try_again(self, now_s: float) -> Pids:
        """A request for what did not work, now and then: a PID with another one that it was left
        out of packs for, or more PIDs than go at present; empty: not now."""
        solo = sorted(self._scheduler.solo - self._lost)
        live = [pid for pid in self._pids if pid not in self._scheduler.solo]
        limit = min(self._scheduler.most, len(live))
        sure = self.peer.most(limit, SURE)
        if not self.peer.explore(now_s, bool(solo) or self.peer.limited):
            return ()
        turn, number = divmod(self.peer.tries, 2)
        if solo and live and (number or limit < 2):
            pids = [solo[turn % len(solo)], live[turn % len(live)]]
        else:
            more = sure + 1 + turn % (limit - sure) if limit > sure else limit
            pids = live[:more]
        return tuple(sorted(pids))


@dataclass(frozen=True, slots=True)
class _Tried:
    """A request, what there was instead of replies, and how long it took."""

    pids: Pids
    kind: Kind
    took_s: float


def _single_ecu(link: Link, facts: CarFacts, pids: Mapping[int, PolledPid]) -> str | None:
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
        replies = link.exchange(probe, 1, to=full[0]).replies
    except ReplyError as error:
        log.info("asking %s alone does not work: %s", full[0], error)
        return None
    if any(reply.ecu == full[0] and reply.data[0] != NEGATIVE for reply in replies):
        return full[0]
    return None
