"""Polls the wanted signals: packs, asks, splits, decodes, checks; goes on whatever comes back."""

from __future__ import annotations

import logging
import math
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial

from logbench.errors import ReplyError, RequestRefusedError
from logbench.signals.table import TOGETHER, table
from logbench.vehicle.discovery import ask, read_scaling
from logbench.vehicle.framing import Raw
from logbench.vehicle.link import NEGATIVE, Exchange, Link, silent
from logbench.vehicle.model import CarFacts, Progress, Reading, Reply
from logbench.vehicle.replies import Answered, CostModel, FrameBook, Pids, ReplyReader
from logbench.vehicle.scheduler import Scheduler
from logbench.vehicle.wanted import (
    DataService,
    PolledPid,
    data_service,
    pid_rates,
    polled_pids,
)

log = logging.getLogger(__name__)

_MISSES = 3
"""So many times in a row a PID must be missing before it is asked alone, and before it is lost."""
_LOST_RETRY_S = 10.0
_REFUSALS = 2
"""So often in a row packing must fail, and one PID alone work, before less is packed."""
_REPACK_S = (30.0, 600.0)
"""So long after packing was refused it is tried again, each time twice as long, up to the second:
a disturbed bus can look like a refusal."""
_REPLAN_AFTER = (40, 150, 600)
"""Requests after which the packing is chosen anew with what the cost model has learnt."""
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
    a sentence when something changes on the way. Raises SignalUnknownError, and
    SignalUnsupportedError where nothing is chosen.
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
        self._notify = progress or silent
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
        self._timeout_s = _CAN_TIMEOUT_S if link.protocol.is_can else None
        self._line_chars = 20.0
        self.cost = CostModel()
        if any(signal.override for signal in chosen):
            self._replies.scaling = read_scaling(partial(ask, link), self._service, facts.supported)
        self._scheduler = Scheduler(
            rates_hz=pid_rates(chosen, rates_hz or {}),
            most=self._service.most if link.protocol.is_can else 1,
            cost_of=self._cost_of,
            together=TOGETHER,
        )
        self._chosen: tuple[int, Pids] | None = None
        self._unlearnt: Exchange | None = None
        self._last_reply_s = time.monotonic()
        self._silent_run = 0
        self._refusals = 0
        self._repack_s = _REPACK_S[0]
        self._repack_at_s = math.inf
        self._least_packed = self._scheduler.most

    # --- for users ---

    def step(self) -> list[Reading]:
        """One request; the samples it brought, oldest first, possibly none.

        All samples of one request share the time stamp in the middle of its round trip. A garbled,
        missing or refused reply costs its samples only. Raises LinkLostError when the link is gone.
        """
        pids = self._next_pids()
        self._link.meanwhile = self._prepare
        readings = self._ask(pids)
        if readings:
            self._good_s, self._notified = time.monotonic(), False
        if self.counts["requests"] in _REPLAN_AFTER:
            self._scheduler.plan()
        if time.monotonic() > self._repack_at_s:
            self._repack()
        return readings

    def go_on(self) -> None:
        """The link was connected anew, to the same car: what has been learnt still holds."""
        self._chosen = self._unlearnt = None
        self._silent_run = 0
        self._last_reply_s = self._good_s = time.monotonic()
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
        if self._replies.singles:
            return (self._replies.singles.popleft(),)
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
        exchange, self._unlearnt = self._unlearnt, None
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
        return self.cost.predict_s(sent + frames * self._line_chars, frames)

    # --- asking ---

    def _ask(self, pids: Pids) -> list[Reading]:
        """One exchange, and at once one with a single PID where packing may be refused."""
        exchange = self._exchange(pids)
        if exchange is None:
            return []
        readings, answered = self._read(exchange.replies, pids)
        self._book.learn(pids, exchange.raw.frames, exchange.raw.damaged > 0, answered)
        if len(pids) > 1 and not exchange.raw.damaged and len(answered) <= 1:
            readings += self._try_alone(pids, answered)
        else:
            self._refusals = 0
            self._watch(pids, answered, exchange)
        self._silent_run = 0 if exchange.replies or exchange.raw.damaged else self._silent_run + 1
        return readings

    def _exchange(self, pids: Pids) -> Exchange | None:
        """The round trip; None when nothing usable came. A refusal looks like silence."""
        self.counts["requests"] += 1
        try:
            exchange = self._link.exchange(
                self._service.payload(pids), self._book.expected(pids), self._timeout_s, self._to
            )
        except RequestRefusedError:
            self._silent_run = -1  # the adapter speaks: this is no silence
            return Exchange([], 0.0, Raw())
        except ReplyError as error:
            log.info("PIDs %s: %s", [f"{pid:02X}" for pid in pids], error)
            self.counts["damaged"] += 1
            self._disturbed(str(error))
            return None
        self.counts["damaged"] += exchange.raw.damaged
        if exchange.replies:
            self._last_reply_s = time.monotonic()
        elif exchange.raw.damaged:
            self._disturbed(DAMAGED)
        self._unlearnt = exchange if exchange.replies and not exchange.raw.damaged else None
        return exchange

    def _read(self, replies: Sequence[Reply], pids: Pids) -> tuple[list[Reading], Answered]:
        """Samples, and who answered; lengths that turn out otherwise change what to expect."""
        known = self._replies.learnt
        found = self._replies.take(replies, pids)
        if self._replies.learnt != known:
            self._book.clear()
        return found

    def _try_alone(self, pids: Pids, answered: Answered) -> list[Reading]:
        """A packed request brought at most one PID: does the car take single ones?"""
        if self._silent_run > 0 and not answered:
            return []
        alone = next(pid for pid in pids if pid not in answered)
        exchange = self._exchange((alone,))
        if exchange is None:
            return []
        readings, single = self._read(exchange.replies, (alone,))
        if not single:
            self._watch((alone,), single, exchange)
            return readings
        self._refusals += 1
        if self._refusals >= _REFUSALS:
            self._pack_less(len(pids))
        return readings

    def _pack_less(self, refused: int) -> None:
        """Packing `refused` PIDs does not work: take half, and try again some time later."""
        self._refusals = 0
        self._scheduler.most = max(1, min(refused, self._scheduler.most) // 2)
        self._scheduler.plan()
        self._repack_later()
        if self._scheduler.most < self._least_packed:
            self._least_packed = self._scheduler.most
            self._notify(
                f"The car or the adapter refuses {refused} signals in one request: "
                f"going on with at most {self._scheduler.most}, which is slower."
            )

    def _repack_later(self) -> None:
        if math.isinf(self._repack_at_s):
            self._repack_at_s = time.monotonic() + self._repack_s
            self._repack_s = min(2 * self._repack_s, _REPACK_S[1])

    def _repack(self) -> None:
        """Give packing another chance, as a whole and for each PID that was put alone."""
        self._repack_at_s = math.inf
        if self._link.protocol.is_can:
            self._scheduler.most = self._service.most
        self._scheduler.solo = {pid for pid, state in self._pids.items() if state.lost}
        self._scheduler.plan()

    def _watch(self, pids: Pids, answered: Answered, exchange: Exchange) -> None:
        """Notice a PID that no longer comes although the car answers."""
        for pid in answered:
            state = self._pids[pid]
            state.misses = 0
            if state.lost:
                self._notify(f"The car reports {state.names} again.")
                state.lost = False
                self._scheduler.resume(pid)
        # A silent car is no proof against a PID: something else must have been answered.
        if exchange.raw.damaged or (not answered and self._silent_run > 0):
            return
        for pid in pids:
            state = self._pids[pid]
            if pid in answered:
                continue
            state.misses += 1
            if state.misses >= _MISSES:
                state.misses = 0
                self._demote(state, alone=len(pids) == 1)

    def _demote(self, state: PolledPid, alone: bool) -> None:
        """Ask a missing PID alone; one that is missing alone too, rarely."""
        if not alone:
            self._scheduler.solo.add(state.pid)
            self._scheduler.plan()
            self._repack_later()
        elif not state.lost:
            self._notify(
                f"The car no longer reports {state.names}: asking again every "
                f"{_LOST_RETRY_S:.0f} s."
            )
            state.lost = True
            self._scheduler.suspend(state.pid, 1 / _LOST_RETRY_S)


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
