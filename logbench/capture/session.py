"""One drive being recorded: the loop inside the capture process, free of pipes and processes."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import queue
import threading
import time
from pathlib import Path

from logbench.capture.clocks import Clocks, clock_was_set
from logbench.capture.described import car_found, facts_of, gone_on, unsure_of
from logbench.capture.messages import (
    CaptureRequest,
    CarChanged,
    Choose,
    Command,
    Describe,
    Failed,
    Finished,
    Mark,
    NotChosen,
    NotStarted,
    Start,
    Started,
    Stop,
)
from logbench.capture.notifier import Notifier
from logbench.capture.outbox import Outbox, Row
from logbench.capture.pauses import Pauses
from logbench.capture.sink import Sink
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.car.identity import Match
from logbench.errors import (
    CAR_SILENT,
    ConnectingStoppedError,
    LinkError,
    LogbenchError,
    ReplyError,
    SamplesMissingError,
    WorkerDiedError,
)
from logbench.recording.finish import finish, samples_in
from logbench.recording.journal_reading import JournalIndex
from logbench.recording.model import PEER, Facts, signal_facts
from logbench.recording.place import check_folder
from logbench.vehicle.model import Reading

log = logging.getLogger(__name__)

GAP_S = 1.0
"""Without any sample for so long in real time, a `gap` is put into the recording."""
_FETCH_S = 0.2
"""So often the exchanges with the car go to the journal's thread, which writes twice as rarely."""
CLOCKS = Clocks()
_NOBODY_KNOWS = (
    "How long the capture was away cannot be told: the computer was started anew, or its clock was"
    " set. What was recorded before is a recording of its own."
)
BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Waits between attempts to connect again; the last repeats."""


class Session:
    """Polls a source into a journal until it is stopped, then finishes the recording."""

    def __init__(
        self,
        request: CaptureRequest,
        source: Source,
        watcher: Outbox,
        *,
        clocks: Clocks = CLOCKS,
    ) -> None:
        self._request = request
        self._source = source
        self._watcher = watcher
        self._clocks = clocks
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._fault: LogbenchError | None = None
        """What a worker died of."""
        self._sink = Sink(self._request.hold_s, self._watcher, self.fail, self._request.second)
        self._before = Finished(None, 0, 0.0)
        """Of other cars, earlier on the same link; its `others` are their recordings."""
        self.facts = Facts()
        """Of the recording, or of the one that may yet be started."""
        self._gap_s = GAP_S
        self._pauses = Pauses(source.now_ns)
        self._fetch_at_s = 0.0
        self._steady = True
        """The source's clock is a clock."""
        self._notify = self._new_notifier()

    def _new_notifier(self) -> Notifier:
        rules = self._request.rules
        return Notifier(
            self._source.now_ns, self._sink, self._watcher, self._clocks, rules, self._clock_set
        )

    def _clock_set(self) -> None:
        """The computer's clock was set: right at last, or by how much nobody knows."""
        if not self.facts.started_utc:
            began = self._clocks.began_utc(self._notify.now_ns / 1e9 / self._notify.scale)
            facts = self.facts.model_copy(update={"started_utc": began})
        else:
            facts = clock_was_set(self.facts)
        self.facts = facts
        self._sink.facts(facts)

    # --- for other threads ---

    def command(self, command: Command) -> None:
        """Take a command; may be called from any thread."""
        if isinstance(command, Stop):
            self._stop.set()
            self._source.cancel()
        else:
            self._commands.put(command)

    def fail(self, worker: str, error: BaseException) -> None:
        """A thread has died that the recording needs: it ends at once, with what can be saved.

        May be called from any thread.
        """
        if self._fault is None:
            self._fault = WorkerDiedError.of(worker, error)
            if isinstance(error, LogbenchError):
                self._fault = error
        self._stop.set()
        self._source.cancel()

    # --- the loop ---

    def run(self) -> Finished | Failed:
        """Record; returns how it ended. Never raises for what the world does."""
        ending: Finished | Failed
        try:
            self._start()
            with self._pauses:
                self._poll_until_stopped()
            ending = self._failed(self._fault) if self._fault else self._finished()
        except ConnectingStoppedError:
            early = self._request.resume
            ending = self._failed(self._fault) if self._fault else _stopped_early(early)
        except LogbenchError as error:
            ending = self._failed(self._fault or error)
        except Exception:
            log.exception("the capture stopped")
            ending = self._failed(
                LogbenchError(
                    "Recording stopped because of a fault in the program; its traceback is in the "
                    "log. Please report it."
                )
            )
        finally:
            self._source.close()
        return ending

    def _start(self) -> None:
        out = self._request.out
        if out is not None:
            check_folder(out.parent)
        with self._notify.pulse():
            opened = self._source.open(self._notify.on_the_way)
        if self._request.resume is None:
            self._begin(opened)
        else:
            self._go_on(self._sink.resume(self._request.resume), opened)

    def _go_on(self, content: JournalIndex, opened: Opened) -> None:
        """Where a dead capture stopped, if it is the same car and is known how long after t = 0."""
        before = self.facts = content.facts
        scale = before.link.time_scale or 1.0
        since_s = self._clocks.since_s(before, content.last_t_ns / 1e9 / scale)
        meeting = self._request.known.judge(before.identity, opened.facts.identity)
        if meeting.match is Match.OTHER or since_s is None:
            self._notify.origin_ns = self._source.now_ns() - content.last_t_ns - 1
            same = meeting.match is not Match.OTHER
            self._begin_anew(opened, _NOBODY_KNOWS if same else meeting.sentence, same_car=same)
            return
        since_ns = max(round(since_s * scale * 1e9), content.last_t_ns + 1)
        self._notify.origin_ns = self._source.now_ns() - since_ns
        began = before.started_utc or self._clocks.began_utc(since_ns / 1e9 / scale)
        facts = gone_on(before, facts_of(self._request, opened), began)
        self._sink.facts(facts)
        text = "the capture ended unexpectedly and was started again"
        self._notify.happened("gap", text, t_ns=content.last_t_ns)
        self._notify.last_ns = self._notify.now_ns
        self._found(opened, facts)

    def _begin(self, opened: Opened) -> None:
        """A new recording, or watching, of the car that was found."""
        facts = facts_of(self._request, opened)
        self._notify.origin_ns = self._source.now_ns()
        facts.started_utc = self._clocks.began_utc()
        facts.extra |= self._clocks.kept(facts.recording_id)
        if self._request.out is not None:
            self._sink.open(self._request.out, facts)
        self._found(opened, facts)
        unsure = unsure_of(self._request, opened.facts.identity)
        if unsure:
            self._notify.happened("note", unsure)

    def _found(self, opened: Opened, facts: Facts) -> None:
        self._gap_s = GAP_S * max(1.0, opened.time_scale)
        self._steady = opened.steady
        self.facts = facts
        self._watcher.message(car_found(self._request, opened, self.facts))
        self._notify.start(opened)

    def _begin_anew(self, opened: Opened, sentence: str, *, same_car: bool = False) -> None:
        """Finish what there is, and begin another recording: another car answers, with what is
        known of that one only; or nobody knows how much later it is than in the first."""
        self._notify.happened("note", sentence)
        path, samples, elapsed_s = None, self._sink.samples, self._notify.now_ns / 1e9
        if self._sink.writing:
            with self._notify.pulse():
                path, samples = self._sink.finish()
        before, request = self._before, self._request
        self._before = Finished(
            path or before.path,
            before.samples + samples,
            before.elapsed_s + elapsed_s,
            before.others + (path is not None),
        )
        stated = request.vehicle if request.vehicle.identified.key else self.facts.vehicle
        self._request = dataclasses.replace(
            request,
            vehicle=stated,
            note=(request.note or self.facts.note) if same_car else "",
            surroundings=request.surroundings.model_copy(update={"soak_hours": None}),
            resume=None,
            out=request.out or path,
            limit_s=None if request.limit_s is None else max(1.0, request.limit_s - elapsed_s),
        )
        self._watcher.message(CarChanged(sentence, path, same_car))
        self._sink = Sink(self._request.hold_s, self._watcher, self.fail, self._request.second)
        self._notify = self._new_notifier()
        self._begin(opened)

    def _poll_until_stopped(self) -> None:
        while not self._over():
            try:
                self._notify.reading = True
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
            if time.monotonic() >= self._fetch_at_s:
                self._fetch_exchanges()
            self._carry_out_commands()
            self._notify.report_when_due()

    def _over(self) -> bool:
        limit_s = None if self._sink.holding else self._request.limit_s
        return self._stop.is_set() or (limit_s is not None and self._notify.now_ns >= limit_s * 1e9)

    def _take(self, readings: list[Reading]) -> None:
        origin = self._notify.origin_ns
        if self._steady:
            for start_ns, end_ns in self._pauses.fresh():
                self._notify.stood_still(start_ns - origin, end_ns - origin)
            readings = [r for r in readings if not self._pauses.cover(r.t_ns)]
        if not readings:
            return
        rows: list[Row] = [(r.signal, r.ecu, r.t_ns - origin, r.value) for r in readings]
        silence_s = (rows[0][2] - self._notify.last_ns) / 1e9
        if silence_s > self._gap_s and self._notify.last_ns:
            self._notify.happened(
                "gap", f"no samples for {silence_s:.1f} s", t_ns=self._notify.last_ns
            )
        self._notify.count(rows)
        self._sink.rows(rows)
        self._watcher.rows(rows)
        for t_ns, text in self._notify.rules.feed(rows):
            self._notify.happened("marker", text, t_ns, "rule")

    def _fetch_exchanges(self) -> None:
        """What was sent and answered goes beside the samples."""
        self._fetch_at_s = time.monotonic() + _FETCH_S
        origin = self._notify.origin_ns
        said = [
            one._replace(sent_ns=one.sent_ns - origin, arrived_ns=one.arrived_ns - origin)
            for one in self._source.exchanges()
        ]
        if said:
            self._sink.exchanges(said)

    def _connect_again(self, error: LinkError) -> bool:
        """Try until it works; the recording goes on. False when it is over instead."""
        self._fetch_exchanges()  # those of this car
        self._notify.reading = False
        key_off = isinstance(error, CAR_SILENT)
        self._notify.link = _away(error)
        self._notify.happened("key off" if key_off else "link lost", str(error))
        self._notify.say(str(error))
        attempt = 0
        while not self._over():
            self._wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
            if self._over():
                return False
            attempt += 1
            try:
                with self._notify.pulse():
                    opened = self._source.open(self._notify.on_the_way)
            except EndOfSourceError:
                return False
            except LinkError as again:
                self._notify.link = _away(again)
                self._notify.say(f"Attempt {attempt} to connect again failed: {again}")
                continue
            self._notify.link = "connected"
            self._notify.happened("key on" if key_off else "link back", f"after {attempt} attempts")
            self._notify.say("The car answers again" if key_off else "The link is back")
            self._notify.last_ns = self._notify.now_ns
            meeting = self._request.known.judge(self.facts.vehicle.identity, opened.facts.identity)
            if meeting.match is Match.OTHER:
                self._begin_anew(opened, meeting.sentence)
            elif meeting.match is Match.UNKNOWN:
                self._notify.happened("note", meeting.sentence)
            return True
        return False

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._over() and time.monotonic() < until:
            self._carry_out_commands()
            self._notify.report_when_due()
            self._stop.wait(0.05)

    def _carry_out_commands(self) -> None:
        while not self._commands.empty():
            command = self._commands.get()
            if isinstance(command, Mark):
                self._notify.happened("marker", command.text, command.t_ns)
            elif isinstance(command, Start) and self._sink.holding:
                self._start_recording(command)
            elif isinstance(command, Choose):
                self._choose(command)
            elif isinstance(command, Describe):
                told = {"identity": self.facts.vehicle.identity}
                car, known = command.vehicle.model_copy(update=told), command.known
                self._request = dataclasses.replace(self._request, vehicle=car, known=known)
                self.facts = self.facts.model_copy(update={"vehicle": car})
                self._sink.facts(self.facts)

    def _choose(self, command: Choose) -> None:
        """Other signals from now on; where that cannot be, those of before go on."""
        try:
            opened = self._source.choose(command.signals, command.rates_hz)
        except LogbenchError as error:
            self._watcher.message(NotChosen(str(error)))
            return
        self._notify.rules.restart()
        self._polled(opened)
        self._notify.happened("note", f"asked for from here: {', '.join(opened.signals)}")

    def _polled(self, opened: Opened) -> None:
        """These signals of this car come from now on."""
        signals = self.facts.signals | signal_facts(opened.signals)
        self.facts = self.facts.model_copy(update={"signals": signals})
        self._sink.facts(self.facts)
        self._watcher.message(car_found(self._request, opened, self.facts))

    def _start_recording(self, command: Start) -> None:
        """With what is kept, or from now on; where the disk refuses, watching goes on."""
        self._fetch_exchanges()
        now_ns = self._notify.now_ns
        since_ns = self._sink.since_ns(now_ns) if command.include else now_ns
        before_s = (now_ns - since_ns) / 1e9
        ago_s = before_s / self._notify.scale
        clock = self._clocks.kept(self.facts.recording_id, ago_s)
        facts = self.facts.model_copy(
            update={
                "started_utc": self._clocks.began_utc(ago_s),
                "extra": self.facts.extra | clock,
            }
        )
        try:
            check_folder(command.out.parent)
            self._sink.start(command.out, facts, since_ns)
        except LogbenchError as error:
            self._watcher.message(NotStarted(str(error)))
            return
        self.facts = facts
        self._request = dataclasses.replace(self._request, out=command.out, hold_s=None)
        self._notify.shift(since_ns)
        self._watcher.message(Started(since_ns, facts.started_utc))
        kept = f"; the {before_s:.0f} s before were kept" if before_s >= 1 else ""
        self._notify.happened("note", f"recording started here{kept}")

    # --- the end ---

    def _finished(self) -> Finished:
        self._carry_out_commands()
        self._fetch_exchanges()
        elapsed_s = self._notify.now_ns / 1e9
        if (profile := self._source.profile()) is not None:
            self.facts.extra[PEER] = profile.model_dump(mode="json")
            self._sink.facts(self.facts)
        self._source.close()
        path, samples, moved = None, self._sink.samples, ""
        if self._sink.writing:
            self._notify.say("Finishing the recording")
            with self._notify.pulse():
                path, samples = self._sink.finish()
            moved = self._sink.moved(path)
        before = self._before
        others = before.others - (path is None and before.path is not None)
        return Finished(
            path or before.path,
            before.samples + samples,
            before.elapsed_s + elapsed_s,
            others,
            moved,
        )

    def _failed(self, error: LogbenchError) -> Failed:
        """Save what is there; the journal stays where even that fails."""
        sentence, kind = str(error).rstrip("."), type(error).__name__
        if isinstance(error, SamplesMissingError):
            return Failed(f"{sentence}.", kind, error.path, samples_in(error.path))
        if not self._sink.writing:
            return Failed(str(error), kind)
        with contextlib.suppress(LogbenchError):  # the journal's thread may be what failed
            self._fetch_exchanges()
        path, samples, saved = self._sink.save()
        return Failed(f"{sentence}. {saved}", kind, path, samples)


def _away(error: LinkError) -> str:
    """The `Status.link` of a link on which that has happened."""
    return "silent" if isinstance(error, CAR_SILENT) else "lost"


def _stopped_early(journal: Path | None) -> Finished | Failed:
    """Stopped before the car was found: only what is resumed can hold anything."""
    try:
        path = finish(journal) if journal is not None else None
        return Finished(path, 0 if path is None else samples_in(path), 0.0)
    except LogbenchError as error:
        return Failed(str(error), type(error).__name__, journal)
