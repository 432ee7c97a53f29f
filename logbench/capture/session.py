"""One drive being recorded: the loop inside the capture process, free of pipes and processes."""

from __future__ import annotations

import datetime
import logging
import queue
import threading
import time
import uuid
from collections.abc import Callable
from pathlib import Path

from logbench.capture.facts import iso_utc, signal_facts, utc_now
from logbench.capture.messages import (
    Begin,
    Begun,
    CaptureRequest,
    CarFound,
    Choose,
    Failed,
    Finished,
    Mark,
    NotBegun,
    NotChosen,
    Order,
    Stop,
)
from logbench.capture.outbox import Row
from logbench.capture.rules import RuleWatch
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.capture.tape import Tape
from logbench.capture.telling import Telling, Watcher
from logbench.errors import (
    CAR_SILENT,
    ConnectingStoppedError,
    LinkError,
    LogbenchError,
    ReplyError,
)
from logbench.recording.finish import check_folder, finish
from logbench.recording.model import Facts, LinkFacts, Vehicle
from logbench.system.version import SOFTWARE
from logbench.vehicle.model import Reading

log = logging.getLogger(__name__)

GAP_S = 1.0
"""Without any sample for so long in real time, a `gap` is put into the recording."""
BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Waits between attempts to connect again; the last repeats."""


class Session:
    """Polls a source into a journal until told to stop, then finishes the recording."""

    def __init__(
        self,
        request: CaptureRequest,
        source: Source,
        watcher: Watcher,
        *,
        utc_now: Callable[[], datetime.datetime] = utc_now,
    ) -> None:
        self._request = request
        self._source = source
        self._watcher = watcher
        self._utc_now = utc_now
        self._orders: queue.SimpleQueue[Order] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._tape = Tape(request.hold_s)
        self._known = Facts()
        """Facts of the recording that may yet be begun."""
        self._gap_s = GAP_S
        self._rules = RuleWatch(request.rules)
        self._tell = Telling(source.now_ns, self._tape, watcher, utc_now)

    # --- for other threads ---

    def order(self, order: Order) -> None:
        """Take an order; may be called from any thread."""
        if isinstance(order, Stop):
            self._stop.set()
            self._source.cancel()
        else:
            self._orders.put(order)

    # --- the loop ---

    def run(self) -> Finished | Failed:
        """Record; returns (and sends) how it ended. Never raises for what the world does."""
        ending: Finished | Failed
        try:
            self._begin()
            self._poll_until_told()
            ending = self._finished()
        except ConnectingStoppedError:
            ending = self._stopped_early()
        except LogbenchError as error:
            ending = self._failed(str(error), type(error).__name__)
        except Exception:
            log.exception("the capture stopped")
            ending = self._failed(
                "Recording stopped because of a fault in the program; its traceback is in the "
                "log. Please report it",
                "LogbenchError",
            )
        finally:
            self._source.close()
        self._watcher.message(ending)
        return ending

    def _begin(self) -> None:
        out = self._request.out
        if out is not None:
            check_folder(out.parent)
        with self._tell.pulse():
            opened = self._source.open(self._tell.on_the_way)
        self._gap_s = GAP_S * max(1.0, opened.time_scale)
        facts = self._facts(opened)
        if self._request.resume is not None:
            facts = self._resume(self._request.resume, facts)
        else:
            self._tell.origin_ns = self._source.now_ns()
            facts.started_utc = iso_utc(self._utc_now())
            if out is not None:
                self._tape.open(out, facts)
        self._known = facts
        self._watcher.message(
            CarFound(opened.facts, opened.signals, opened.unsupported, facts.started_utc)
        )
        self._tell.begin(opened)

    def _resume(self, journal: Path, facts: Facts) -> Facts:
        """Go on where a dead capture stopped: t is carried on by the time of day."""
        content = self._tape.resume(journal)
        before = content.facts
        passed_ns = int(_seconds_since(before.started_utc, self._utc_now()) * _scale(before) * 1e9)
        self._tell.origin_ns = self._source.now_ns() - max(passed_ns, content.last_t_ns + 1)
        facts.recording_id, facts.started_utc = before.recording_id, before.started_utc
        facts.signals = before.signals | facts.signals
        if self._request.vehicle == Vehicle():
            facts.vehicle = before.vehicle
        facts.note = facts.note or before.note
        facts.extra = before.extra | facts.extra
        self._tape.facts(facts)
        text = "the capture ended unexpectedly and was started again"
        self._tell.happened("gap", text, t_ns=content.last_t_ns)
        self._tell.last_ns = self._tell.now_ns
        return facts

    def _facts(self, opened: Opened) -> Facts:
        car = opened.facts
        vehicle = self._request.vehicle
        if car.vin and not vehicle.vin:
            vehicle = vehicle.model_copy(update={"vin": car.vin})
        return Facts(
            recording_id=uuid.uuid4().hex,
            software=SOFTWARE,
            vehicle=vehicle,
            link=LinkFacts(
                url=self._request.link_url,
                adapter=car.adapter,
                protocol=car.protocol,
                simulated=opened.simulated,
                time_scale=opened.time_scale,
            ),
            signals=signal_facts(opened.signals),
            ecus={ecu: car.ecu_names.get(ecu, "") for ecu in car.supported},
            note=self._request.note,
            extra={
                **self._request.surroundings.extra(),
                **({"unattended": True} if self._request.unattended else {}),
            },
        )

    def _poll_until_told(self) -> None:
        while not self._over():
            try:
                self._tell.reading = True
                readings = self._source.read()
            except EndOfSourceError:
                return
            except ReplyError as error:
                log.info("%s", error)
                continue
            except LinkError as error:
                if not self._connect_again(error):
                    return
                continue
            self._take(readings)
            self._carry_out_orders()
            self._tell.report_when_due()

    def _over(self) -> bool:
        limit_s = None if self._tape.holding else self._request.limit_s
        return self._stop.is_set() or (limit_s is not None and self._tell.now_ns >= limit_s * 1e9)

    def _take(self, readings: list[Reading]) -> None:
        if not readings:
            return
        origin = self._tell.origin_ns
        rows: list[Row] = [(r.signal, r.ecu, r.t_ns - origin, r.value) for r in readings]
        silence_s = (rows[0][2] - self._tell.last_ns) / 1e9
        if silence_s > self._gap_s and self._tell.last_ns:
            self._tell.happened("gap", f"no samples for {silence_s:.1f} s", t_ns=self._tell.last_ns)
        self._tell.count(rows)
        self._tape.rows(rows)
        self._watcher.rows(rows)
        for t_ns, text in self._rules.feed(rows):
            self._tell.happened("marker", text, t_ns=t_ns)

    def _connect_again(self, error: LinkError) -> bool:
        """Try until it works; the recording goes on. False when it is over instead."""
        self._tell.reading = False
        key_off = isinstance(error, CAR_SILENT)
        self._tell.link = _away(error)
        self._tell.happened("key off" if key_off else "link lost", str(error))
        self._tell.say(str(error))
        attempt = 0
        while not self._over():
            self._wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
            if self._over():
                return False
            attempt += 1
            try:
                with self._tell.pulse():
                    self._source.open(self._tell.on_the_way)
            except EndOfSourceError:
                return False
            except LinkError as again:
                self._tell.link = _away(again)
                self._tell.say(f"Attempt {attempt} to connect again failed: {again}")
                continue
            self._tell.link = "connected"
            self._tell.happened("key on" if key_off else "link back", f"after {attempt} attempts")
            self._tell.say("The car answers again" if key_off else "The link is back")
            self._tell.last_ns = self._tell.now_ns
            return True
        return False

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._over() and time.monotonic() < until:
            self._carry_out_orders()
            self._tell.report_when_due()
            self._stop.wait(0.05)

    def _carry_out_orders(self) -> None:
        while not self._orders.empty():
            order = self._orders.get()
            if isinstance(order, Mark):
                self._tell.happened("marker", order.text, order.t_ns)
            elif isinstance(order, Begin) and self._tape.holding:
                self._begin_recording(order)
            elif isinstance(order, Choose):
                self._choose(order)

    def _choose(self, order: Choose) -> None:
        """Other signals from now on; where that cannot be, those of before go on."""
        try:
            opened = self._source.choose(order.signals, order.rates_hz)
        except LogbenchError as error:
            self._watcher.message(NotChosen(str(error)))
            return
        signals = self._known.signals | signal_facts(opened.signals)
        self._known = self._known.model_copy(update={"signals": signals})
        self._tape.facts(self._known)
        self._rules.restart()
        self._watcher.message(
            CarFound(opened.facts, opened.signals, opened.unsupported, self._known.started_utc)
        )
        self._tell.happened("note", f"asked for from here: {', '.join(opened.signals)}")

    def _begin_recording(self, order: Begin) -> None:
        """With what is kept, or from now on; where the disk refuses, watching goes on."""
        now_ns = self._tell.now_ns
        since_ns = self._tape.since_ns(now_ns) if order.include else now_ns
        before_s = (now_ns - since_ns) / 1e9
        started = self._utc_now() - datetime.timedelta(seconds=before_s / self._tell.scale)
        facts = self._known.model_copy(update={"started_utc": iso_utc(started)})
        try:
            check_folder(order.out.parent)
            self._tape.begin(order.out, facts, since_ns)
        except LogbenchError as error:
            self._watcher.message(NotBegun(str(error)))
            return
        self._known = facts
        self._tell.shift(since_ns)
        self._rules.shift(since_ns)
        self._watcher.message(Begun(since_ns, facts.started_utc))
        kept = f"; the {before_s:.0f} s before were kept" if before_s >= 1 else ""
        self._tell.happened("note", f"recording begun here{kept}")

    # --- the end ---

    def _finished(self) -> Finished:
        self._carry_out_orders()
        elapsed_s = self._tell.now_ns / 1e9
        self._source.close()
        path = None
        if self._tape.writing:
            self._tell.say("Finishing the recording")
            with self._tell.pulse():
                path = self._tape.finish()
        return Finished(path, self._tape.samples, elapsed_s)

    def _stopped_early(self) -> Finished | Failed:
        """Stopped before the car was found: only what is resumed can hold anything."""
        journal = self._request.resume
        try:
            return Finished(finish(journal) if journal is not None else None, 0, 0.0)
        except LogbenchError as error:
            return Failed(str(error), type(error).__name__, journal)

    def _failed(self, sentence: str, error: str) -> Failed:
        """Save what is there; the journal stays where even that fails."""
        path: Path | None = None
        if self._tape.writing:
            path = self._tape.save()
            saved = f"What was recorded is in {path}" if path else "Nothing had been recorded yet"
            sentence = f"{sentence.rstrip('.')}. {saved}."
        return Failed(sentence, error, path)


def _seconds_since(started_utc: str, now: datetime.datetime) -> float:
    """Real seconds since then; 0 when it is unknown."""
    try:
        return (now - datetime.datetime.fromisoformat(started_utc)).total_seconds()
    except (ValueError, TypeError):  # empty, or without a time zone
        return 0.0


def _away(error: LinkError) -> str:
    """The `Status.link` of a link on which that has happened."""
    return "silent" if isinstance(error, CAR_SILENT) else "lost"


def _scale(facts: Facts) -> float:
    return facts.link.time_scale or 1.0
