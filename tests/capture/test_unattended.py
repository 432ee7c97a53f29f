"""Days without anybody there, in seconds: key cycles, budget, marks by rule, a battery to spare."""

from __future__ import annotations

import dataclasses
import os
import threading
import time

import numpy as np
import pytest

from logbench.analysis.expression.checked import condition
from logbench.capture.messages import (
    DEFAULT_RULES,
    CaptureRequest,
    Failed,
    Finished,
    MarkRule,
    Status,
    Step,
    Stop,
    Unattended,
)
from logbench.capture.notifier import RuleWatch
from logbench.capture.sources.model import Opened, Source
from logbench.capture.unattended import UnattendedRun, keep_to_budget
from logbench.cli.main import main
from logbench.errors import CarSilentError, LinkLostError, PortMissingError
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.notes import remarks_of
from logbench.recording.reader import open_recording
from logbench.vehicle.model import CarFacts, Reading
from tests.capture.test_session import Listener

PLAN = Unattended(off_after_s=0.5, look_every_s=0.05)


class ScriptedCar(Source):
    """Engine runs in the given spans (s); a car with a voltmeter unless `volts` is None."""

    def __init__(self, spans, volts=(12.5, 14.1)) -> None:
        self._began = time.monotonic()
        self._spans = spans
        self._volts = volts
        self.asked_while_off: list[float] = []
        self.rested: list[float] = []
        self.closed = 0

    @property
    def t_s(self) -> float:
        return time.monotonic() - self._began

    def runs(self) -> bool:
        return any(start <= self.t_s < end for start, end in self._spans)

    def _asked(self) -> None:
        if not self.runs():
            self.asked_while_off.append(self.t_s)
            raise CarSilentError("The car does not answer.")

    def open(self, progress):
        self._asked()
        return Opened(CarFacts(vin="ZZ9TEST390X000003"), ("RPM", "MIL"))

    def read(self):
        self._asked()
        time.sleep(0.01)
        return [
            Reading("RPM", "7E8", self.now_ns(), 800.0),
            Reading("MIL", "7E8", self.now_ns(), 1.0),
        ]

    def now_ns(self):
        return time.monotonic_ns()

    def choose(self, signals, rates_hz):
        raise NotImplementedError

    def voltage(self):
        return None if self._volts is None else self._volts[self.runs()]

    def sleep(self):
        self.rested.append(self.t_s)

    def cancel(self):
        pass

    def close(self):
        self.closed += 1


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("logbench.capture.session.BACK_OFF_S", (0.05,))
    monkeypatch.setattr("logbench.capture.unattended._TICK_S", 0.02)


def run_until(tmp_path, car, condition, plan=PLAN, **more):
    """Run unattended until `condition()`; the ending, and what was said."""
    listener = Listener()
    request = CaptureRequest("fake:", out=tmp_path / "cycle.parquet", unattended=plan, **more)
    run = UnattendedRun(request, car, listener)
    endings: list[Finished | Failed] = []
    thread = threading.Thread(target=lambda: endings.append(run.run()))
    thread.start()
    deadline = time.monotonic() + 30
    while thread.is_alive() and not condition() and time.monotonic() < deadline:
        time.sleep(0.02)
    run.command(Stop())
    thread.join(10)
    assert endings, "it did not end"
    assert time.monotonic() < deadline
    return endings[0], listener


def recordings(tmp_path):
    return [open_recording(path) for path in sorted(tmp_path.glob("*.parquet"))]


@pytest.mark.parametrize("volts", [(12.5, 14.1), (12.2, 12.8), None])
def test_one_file_a_key_cycle(tmp_path, volts):
    """Two drives with a pause: two files; a stop shorter than `off_after_s` does not part one.
    12.2 to 12.8 V is a gentle charging that never reaches 13."""
    car = ScriptedCar([(0.3, 1.0), (1.3, 1.8), (3.6, 4.3)], volts)
    ending, listener = run_until(tmp_path, car, lambda: len(recordings(tmp_path)) == 2)
    assert isinstance(ending, Finished)
    first, second = recordings(tmp_path)
    assert ending.path == second.path
    assert ending.others == 1
    assert first.path.name.startswith("cycle-20")
    assert first.facts.vehicle.vin == "ZZ9TEST390X000003"
    assert first.facts.extra == {"unattended": True}
    kinds = [event.kind for event in first.facts.events]
    assert kinds == ["key off", "key on", "key off"]
    assert 1.2 < first.trace("RPM").t_s[-1] < 1.6
    assert [event.kind for event in second.facts.events] == ["key off"]
    assert 0.3 < second.trace("RPM").t_s[-1] < 0.8
    assert "Waiting for the engine to run" in [m.text for m in listener.of(Step)]
    links = [status.link for status in listener.of(Status)]
    assert links[0] == "waiting"
    assert "connected" in links
    assert car.closed
    assert not list(tmp_path.glob("*.journal"))


def test_a_sleeping_car_is_left_in_peace(tmp_path):
    """With a voltmeter to watch, nothing is asked after key-off but what found it out."""
    car = ScriptedCar([(0.2, 0.8)])
    _, listener = run_until(tmp_path, car, lambda: car.t_s > 3.0)
    signs = [status.link for status in listener.of(Status)]
    assert signs[-2:] == ["waiting", "waiting"]  # or its watcher would take it for hung
    assert len(recordings(tmp_path)) == 1
    late = [t_s for t_s in car.asked_while_off if t_s > 1.0]
    assert late == []
    assert max(car.rested) > 2.5


def test_a_charger_is_no_engine(tmp_path):
    """14 V, but nobody answers: asked once in `look_every_s`, at rest in between."""
    plan = Unattended(off_after_s=0.3, look_every_s=1.0, volt_every_s=0.05)
    car = ScriptedCar([(0.0, 0.5)], volts=(14.0, 14.0))
    run_until(tmp_path, car, lambda: car.t_s > 3.0, plan)
    assert 1 <= len([t_s for t_s in car.asked_while_off if t_s > 1.0]) <= 3
    assert len(car.rested) > 10


def test_an_engine_that_runs_at_a_low_voltage_from_the_start(tmp_path):
    """A charge controller that keeps 12.6 V: the car is asked once at the start whatever it is."""
    car = ScriptedCar([(0.0, 99.0)], volts=(12.4, 12.6))
    run_until(tmp_path, car, lambda: car.t_s > 1.0)
    (recording,) = recordings(tmp_path)
    assert len(recording.trace("RPM")) > 20


def test_a_hybrid_that_stands_by(tmp_path):
    """14 V and answers, but the engine stands at first: it is not left alone for a minute."""

    class Hybrid(ScriptedCar):
        def read(self):
            speed_rpm = 1200.0 if self.t_s > 1.5 else 0.0
            return [
                dataclasses.replace(r, value=speed_rpm) if r.signal == "RPM" else r
                for r in super().read()
            ]

    plan = Unattended(off_after_s=20.0, look_every_s=60.0, volt_every_s=0.05)
    car = Hybrid([(0.0, 99.0)], volts=(14.0, 14.0))
    run_until(tmp_path, car, lambda: car.t_s > 3.5, plan)
    (recording,) = recordings(tmp_path)
    assert set(recording.trace("RPM").value) == {1200.0}


def test_a_lost_link_is_no_sleeping_car(tmp_path):
    """The adapter is away for a moment in mid-drive: it is looked for at once, not a minute on."""

    class Loose(ScriptedCar):
        def read(self):
            if 0.5 < self.t_s < 0.9:
                raise LinkLostError("Unplugged.")
            return super().read()

        def open(self, progress):
            if 0.5 < self.t_s < 0.9:
                raise PortMissingError("Still unplugged.")
            return super().open(progress)

    plan = Unattended(off_after_s=20.0, look_every_s=60.0, volt_every_s=10.0)
    car = Loose([(0.0, 99.0)])
    run_until(tmp_path, car, lambda: car.t_s > 1.6, plan)
    (recording,) = recordings(tmp_path)
    assert [event.kind for event in recording.facts.events] == ["link lost", "link back"]
    assert recording.trace("RPM").t_s[-1] > 1.0


def test_battery_is_spared(tmp_path):
    car = ScriptedCar([(0.2, 0.8)], volts=(11.6, 14.0))
    ending, listener = run_until(tmp_path, car, lambda: False)
    assert isinstance(ending, Finished)
    assert len(recordings(tmp_path)) == (1 if ending.path else 0)
    assert listener.of(Step)[-1].text.startswith("The battery is down to 11.6 V")


def test_stopped_in_the_middle_of_a_drive(tmp_path):
    car = ScriptedCar([(0.0, 99.0)])
    ending, _ = run_until(tmp_path, car, lambda: car.t_s > 1.0)
    (recording,) = recordings(tmp_path)
    assert ending.others == 0
    assert ending.samples == sum(len(trace) for trace in recording.traces()) > 50


def test_marks_by_rule(tmp_path):
    car = ScriptedCar([(0.0, 99.0)])
    run_until(tmp_path, car, lambda: car.t_s > 1.0, rules=DEFAULT_RULES)
    (recording,) = recordings(tmp_path)
    (event,) = recording.facts.events
    assert (event.kind, event.text) == ("marker", "malfunction indicator lamp on")
    assert event.source == "rule"
    assert [r.kind for r in remarks_of(recording.facts.events)] == ["marker by rule"]


def test_rules():
    rule = MarkRule("high", "SHRTFT1 + LONGFT1 > 15", for_s=5.0)
    watch = RuleWatch([rule])
    second = 10**9

    def feed(t_s, short, long=None):
        rows = [("SHRTFT1", "7E8", t_s * second, short)]
        if long is not None:
            rows.append(("LONGFT1", "7E8", t_s * second, long))
        return [(t_ns // second, text) for t_ns, text in watch.feed(rows)]

    assert feed(0, 20.0) == []  # LONGFT1 not seen yet
    assert feed(1, 10.0, 6.0) == []
    assert feed(4, 10.0) == []
    assert feed(5, 8.0) == []  # 14: the five seconds begin anew
    assert feed(6, 10.0) == []
    assert feed(8, float("nan")) == []  # no value
    assert feed(11, 10.0) == [(11, "high")]
    assert feed(30, 10.0) == []  # once
    assert feed(31, 0.0) == []
    assert feed(32, 15.0) == []
    assert feed(37, 15.0) == [(37, "high")]


def test_an_engine_that_stops_is_marked_and_one_that_never_ran_is_not():
    (rule,) = [rule for rule in DEFAULT_RULES if "RPM" in rule.when]
    watch = RuleWatch([rule])

    def feed(*values: float) -> list[int]:
        """Indices of the values, half a second apart, at which the rule marks."""
        rows = [("RPM", "7E8", k * 10**9 // 2, value) for k, value in enumerate(values)]
        return [t_ns * 2 // 10**9 for t_ns, _ in watch.feed(rows)]

    stalls = [0, 0, 0, 0, 200, 800, 800, 300, 0, 0, 0, 0, 0, 0, 750, 0, 0, 800, 0, 0, 0]
    assert feed(*stalls) == [10, 20]  # after a second at rest; the short dip at 15 is none


def test_default_rules_are_about_known_signals():
    for rule in DEFAULT_RULES:
        assert condition(rule.when).names


def _recording(folder, name, day, *, unattended=True, marked=False, dated=True):
    t_ns = list(range(2000))
    facts = Facts(
        started_utc=f"2026-03-{day:02d}T10:00:00+00:00" if dated else "",
        events=[Event(t_ns=1, kind="marker")] if marked else [],
        extra={"unattended": True} if unattended else {},
    )
    rng = np.random.default_rng(day)
    trace = Trace("RPM", "7E8", "rpm", np.array(t_ns), rng.normal(size=2000))
    return write_recording(folder / name, [trace], facts)


def test_budget_takes_the_oldest_unmarked_first(tmp_path):
    _recording(tmp_path, "a.parquet", 3)
    size = _recording(tmp_path, "b.parquet", 1, marked=True).stat().st_size
    _recording(tmp_path, "c.parquet", 2)
    _recording(tmp_path, "d.parquet", 4)
    _recording(tmp_path, "mine.parquet", 1, unattended=False)
    (tmp_path / "broken.parquet").write_bytes(b"PAR1....")

    def names():
        return sorted(path.name for path in tmp_path.iterdir())

    everything = names()
    assert keep_to_budget(tmp_path, 5 * size)
    assert names() == everything
    assert keep_to_budget(tmp_path, 3 * size + size // 2)
    assert names() == [n for n in everything if n != "c.parquet"]
    assert keep_to_budget(tmp_path, 2 * size + size // 2)
    assert names() == [n for n in everything if n not in ("c.parquet", "a.parquet")]
    assert not keep_to_budget(tmp_path, size // 2)
    assert names() == ["b.parquet", "broken.parquet", "mine.parquet"]


def test_no_room_for_one_more(tmp_path):
    _recording(tmp_path, "kept.parquet", 1, marked=True)
    plan = Unattended(budget_bytes=100, off_after_s=0.5, look_every_s=0.05)
    car = ScriptedCar([(0.0, 99.0)])
    ending, listener = run_until(tmp_path, car, lambda: car.t_s > 1.0, plan)
    assert ending == Finished(None, 0, 0.0)
    assert any("budget is used up" in m.text for m in listener.of(Step))
    assert [path.name for path in tmp_path.iterdir()] == ["kept.parquet"]


def test_the_command_line_s_options_reach_the_plan(tmp_path, monkeypatch):
    """How often the voltmeter is looked at, where it ends, what it may use."""
    asked = []

    def record_shown(request):
        asked.append(request)
        return Finished(None, 0, 0.0)

    monkeypatch.setattr("logbench.cli.record.record_shown", record_shown)
    line = "record --link sim: --unattended --budget 0.5 --stop-below 12.1 --volt-every 30 --into"
    assert main([*line.split(), str(tmp_path / "days")]) == 0
    (request,) = asked
    assert request.out == tmp_path / "days" / "drive.parquet"
    assert request.unattended == Unattended(
        budget_bytes=500_000_000, stop_below_v=12.1, volt_every_s=30.0
    )


def test_a_recording_without_a_date_is_not_taken_for_the_oldest(tmp_path):
    """The computer's clock was wrong: it may be the newest."""
    size = _recording(tmp_path, "a.parquet", 1, dated=False).stat().st_size
    _recording(tmp_path, "b.parquet", 2, dated=False)
    _recording(tmp_path, "c.parquet", 3)
    os.utime(tmp_path / "b.parquet", (10, 10))
    assert keep_to_budget(tmp_path, 2 * size + size // 2)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.parquet", "b.parquet"]
    assert keep_to_budget(tmp_path, size + size // 2)
    assert [path.name for path in tmp_path.iterdir()] == ["a.parquet"]
