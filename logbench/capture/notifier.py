"""What a drive being recorded reports: how it goes, what happened, where its clock stands, and the
markers set by rule."""

from __future__ import annotations

import contextlib
import math
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from logbench.analysis.expression.checked import Expression, condition
from logbench.analysis.expression.evaluate import Instant
from logbench.capture.clocks import Clocks
from logbench.capture.messages import MarkRule, Status, Step, Trouble
from logbench.capture.outbox import Outbox, Row
from logbench.capture.sink import Sink
from logbench.capture.sources.model import Opened
from logbench.recording.model import Event
from logbench.signals.numbers import span_text
from logbench.system.threads import Supervised

STATUS_S = 0.5
CLOCK_JUMP_S = 2.0
"""The time of day and the recording's clock differing by so much more than before is an event: the
computer slept, or its clock was set. The recording's own clock goes on as it is."""
STOOD_STILL_S = 1.0
"""From so long on, a pause of the process is an event."""
AWAY = ("lost", "silent")
"""Values of `Status.link` while a recording goes on without samples."""
ROOM_S = 600.0
"""Less room on the disk than for so long is said, once."""
_RATE_WINDOW = 10
"""Status intervals over which rates are counted."""


@contextlib.contextmanager
def heartbeat(watcher: Outbox, status: Status) -> Iterator[None]:
    """Send this status again and again, from another thread; its death is only reported."""

    def beat() -> None:
        while not pulse.stopping.wait(STATUS_S):
            watcher.message(status)

    def died(error: BaseException) -> None:
        text = f"The signs of life have stopped ({type(error).__name__}: {error}); the rest goes on"
        watcher.message(Step(text))

    pulse = Supervised("pulse", beat, on_death=died)
    with pulse:
        yield


class Notifier:
    """Keeps the recording's clock, and reports to the watcher and the sink by it.

    `clock`: the source's, ns; `clocks`: the computer's; `rules`: markers to be set; `clock_set` is
    called after the time of day was set.
    """

    def __init__(
        self,
        clock: Callable[[], int],
        sink: Sink,
        watcher: Outbox,
        clocks: Clocks,
        rules: Iterable[MarkRule],
        clock_set: Callable[[], object],
    ) -> None:
        self._clock, self._sink, self._watcher = clock, sink, watcher
        self._clocks, self._clock_set = clocks, clock_set
        self.rules = RuleWatch(rules)
        self.origin_ns = 0
        """The source's clock at t = 0 of the recording."""
        self.last_ns = 0
        """Time of the last sample, on the recording's clock."""
        self.link = "connecting"
        self.reading = False
        """Samples are being polled: not connecting."""
        self.scale = 1.0
        """Seconds of the recording's clock in a real one."""
        self._steady = True
        self._ahead_s = self._asleep_s = 0.0
        self._counts: Counter[str] = Counter()
        self._window: deque[tuple[int, Counter[str]]] = deque(maxlen=_RATE_WINDOW + 1)
        self._next_status = 0.0
        self._said_room = False

    @property
    def now_ns(self) -> int:
        """Now, on the recording's clock."""
        return self._clock() - self.origin_ns

    def start(self, opened: Opened) -> None:
        """Samples will come from now on."""
        self.link = "connected"
        self._window.append((self.now_ns, Counter()))
        self.scale, self._steady = opened.time_scale, opened.steady
        self._ahead_s, self._asleep_s = self._ahead()
        self._next_status = time.monotonic() + STATUS_S

    def shift(self, since_ns: int) -> None:
        """The recording's t = 0 is later by so much; a status is due at once."""
        self.origin_ns += since_ns
        self.last_ns = max(0, self.last_ns - since_ns)
        self._window = deque([(t - since_ns, c) for t, c in self._window], self._window.maxlen)
        self._next_status = 0.0
        self.rules.shift(since_ns)

    def count(self, rows: Sequence[Row]) -> None:
        """Samples have come."""
        self.last_ns = max(self.last_ns, rows[-1][2])
        self._counts.update(row[0] for row in rows)

    def say(self, text: str) -> None:
        """What is being done."""
        self._watcher.message(Step(text))

    def on_the_way(self, text: str) -> None:
        """What the source says: what it says between samples belongs into the recording."""
        self.say(text)
        if self.reading:
            self.happened("note", text)

    def happened(
        self, kind: str, text: str = "", t_ns: int | None = None, source: str = ""
    ) -> None:
        """Put an event into the recording, now or at `t_ns`, and report it."""
        at_ns = self.now_ns if t_ns is None else t_ns
        event = Event(t_ns=at_ns, kind=kind, text=text, source=source)
        self._sink.event(event)
        self._watcher.message(event)

    def stood_still(self, start_ns: int, end_ns: int) -> None:
        """The process did not run between these times: no samples of then are known."""
        seconds = (end_ns - start_ns) / 1e9 / self.scale
        if seconds >= STOOD_STILL_S:
            text = f"the capture was not let run for {seconds:.1f} s"
            self.happened("gap", text, t_ns=self.last_ns)
            self.last_ns = end_ns

    @contextlib.contextmanager
    def pulse(self) -> Iterator[None]:
        """Signs of life while the loop stands still: connecting, finishing."""
        sink = self._sink
        t_ns = self.now_ns if self.link in AWAY else self.last_ns
        held_s = self._held_s(t_ns)
        status = Status(
            t_ns / 1e9, sink.samples, 0.0, sink.size_bytes, link=self.link, held_s=held_s
        )
        with heartbeat(self._watcher, status):
            yield

    def report_when_due(self) -> None:
        """A `Status`, twice a second."""
        now = time.monotonic()
        if now < self._next_status:
            return
        self._next_status = now + STATUS_S
        self._watch_clock()
        now_ns = self.now_ns
        counts, self._counts = self._counts, Counter()
        self._window.append((now_ns, counts))
        seconds = max((now_ns - self._window[0][0]) / 1e9, 1e-3)
        total: Counter[str] = sum((c for _, c in list(self._window)[1:]), Counter())
        self._watcher.message(
            Status(
                elapsed_s=now_ns / 1e9,
                samples=self._sink.samples,
                samples_per_s=total.total() / seconds,
                size_bytes=self._sink.size_bytes,
                rates_hz={signal: count / seconds for signal, count in total.items()},
                link=self.link,
                dropped=self._watcher.dropped,
                held_s=self._held_s(now_ns),
                room_s=self._room_s(),
            )
        )

    def _room_s(self) -> float | None:
        """As `Status.room_s`; little room is said once, and again after there was more."""
        room_s = self._sink.room_s
        little = room_s is not None and room_s < ROOM_S
        if little and room_s is not None and not self._said_room:
            minutes = span_text(room_s)
            text = f"The disk has room for about {minutes} more: free some space on it"
            self._watcher.message(Trouble(f"{text}. When it is full, another place takes over."))
        self._said_room = little
        return room_s

    def _held_s(self, now_ns: int) -> float | None:
        if not self._sink.holding:
            return None
        return (now_ns - self._sink.since_ns(now_ns)) / 1e9

    def _ahead(self) -> tuple[float, float]:
        """By how much time of day and boot clock run ahead of the source's clock, real seconds; the
        latter, 0 where it is not known, grows while the computer sleeps."""
        source_s, boot = self._clock() / 1e9 / self.scale, self._clocks.boot()
        asleep_s = boot.ns / 1e9 - source_s if boot.run else 0.0
        return self._clocks.utc_now().timestamp() - source_s, asleep_s

    def _watch_clock(self) -> None:
        if not self._steady:
            return
        ahead_s, asleep_s = self._ahead()
        slept_s = asleep_s - self._asleep_s
        set_s = ahead_s - self._ahead_s - slept_s
        if slept_s >= CLOCK_JUMP_S:
            self._asleep_s, self._ahead_s = asleep_s, self._ahead_s + slept_s
            self.happened("gap", f"the computer slept for {slept_s:.0f} s")
        if abs(set_s) >= CLOCK_JUMP_S:
            self._ahead_s = ahead_s
            known = bool(self._clocks.boot().run)
            why = "its clock was set" if known else "the computer slept or its clock was set"
            self.happened("note" if known or set_s < 0 else "gap", f"{why}: {set_s:+.1f} s off")
            self._clock_set()


class RuleWatch:
    """Follows the samples; each rule marks once when it comes true, and again after it was not.

    NaN ('not used') is not a value. Of several ECUs that report a signal, the last to speak counts.
    """

    def __init__(self, rules: Iterable[MarkRule]) -> None:
        self._rules = [_State(rule, condition(rule.when)) for rule in rules]
        self._wanted = frozenset(name for state in self._rules for name in state.when.names)
        self._latest: dict[str, float] = {}
        self._now = Instant(self._latest)

    def feed(self, rows: Iterable[Row]) -> Iterator[tuple[int, str]]:
        """Take in samples in order of time; yields time and text of each new marker."""
        if not self._wanted:
            return
        for signal, _, t_ns, value in rows:
            if signal not in self._wanted or math.isnan(value):
                continue
            self._latest[signal] = value
            for state in self._rules:
                if signal in state.when.names and state.step(self._now, t_ns):
                    yield t_ns, state.rule.text

    def restart(self) -> None:
        """Other signals come from now on: what the old ones said last holds no longer."""
        self._latest.clear()

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        for state in self._rules:
            if state.since_ns is not None:
                state.since_ns -= by_ns


@dataclass(slots=True)
class _State:
    rule: MarkRule
    when: Expression
    since_ns: int | None = None
    marked: bool = False
    ready: bool = False

    def step(self, latest: Instant, t_ns: int) -> bool:
        """True at the moment when a marker is due."""
        once = self.rule.once
        self.ready = self.ready or not once or latest.holds(condition(once), t_ns)
        if not latest.holds(self.when, t_ns):
            self.since_ns, self.marked = None, False
            return False
        if not self.ready:
            return False
        if self.since_ns is None:
            self.since_ns = t_ns
        if self.marked or t_ns - self.since_ns < self.rule.for_s * 1e9:
            return False
        self.marked, self.ready = True, False
        return True
