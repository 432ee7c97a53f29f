"""Other signals while watching or recording: same link, same clock, nothing lost."""

from __future__ import annotations

import contextlib
import threading
from contextlib import closing

import numpy as np
import pytest

from logbench.capture.messages import (
    CaptureRequest,
    CarFound,
    Choose,
    Finished,
    MarkRule,
    NotChosen,
    Start,
    Stop,
)
from logbench.capture.session import Session
from logbench.capture.sources.car import PolledSource
from logbench.capture.sources.model import EndOfSourceError
from logbench.capture.sources.replay import ReplaySource
from logbench.capture.unattended import UnattendedRun
from logbench.errors import SignalUnsupportedError
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.reader import open_recording
from tests.capture.fake_source import FakeSource
from tests.capture.test_session import Listener
from tests.capture.test_start import STEP_NS, Clockwork, drive
from tests.capture.watched import watched


def test_while_watching_and_again_in_the_recording(tmp_path):
    out = tmp_path / "drive.parquet"
    commands = {100: [Choose(("RPM", "MAF"))], 200: [Start(out)], 250: [Choose(("ECT",))]}
    ending, listener = drive(commands, last=300)
    recording = open_recording(ending.path)
    found = listener.of(CarFound)
    assert [f.signals for f in found[1:]] == [("RPM", "MAF"), ("ECT",)]
    assert found[2].started_utc == recording.facts.started_utc
    assert recording.trace("VSS").value.tolist() == list(range(0, 101))
    assert recording.trace("MAF").value.tolist() == list(range(0, 251))
    assert recording.trace("ECT").value.tolist() == [*range(0, 101), *range(251, 300)]
    assert np.diff(recording.trace("RPM").t_ns).tolist() == [STEP_NS] * 250
    assert set(recording.facts.signals) == {"RPM", "VSS", "ECT", "MAF"}
    said = [e.text for e in recording.facts.events if e.text.startswith("asked for")]
    assert said == ["asked for from here: RPM, MAF", "asked for from here: ECT"]
    assert "no samples" not in " ".join(e.text for e in recording.facts.events)


def test_a_signal_that_is_new_to_the_recording_has_its_facts(tmp_path):
    class Narrow(Clockwork):
        def open(self, progress):
            opened = super().open(progress)
            self.signals = ("RPM",)
            return type(opened)(opened.facts, ("RPM",), steady=False)

    source = Narrow({20: [Choose(("RPM", "VSS"))]}, 40)
    source.session = Session(
        CaptureRequest("fake:", out=tmp_path / "x.parquet"), source, Listener()
    )
    recording = open_recording(source.session.run().path)
    assert recording.facts.signals["VSS"].unit == recording.trace("VSS").unit == "km/h"
    assert recording.trace("VSS").value.tolist() == list(range(21, 40))


def test_what_the_car_does_not_report_changes_nothing(tmp_path):
    ending, listener = drive({10: [Choose(("FRP",))]}, last=30)
    assert isinstance(ending, Finished)
    (refused,) = listener.of(NotChosen)
    assert "FRP" in refused.sentence
    assert len(listener.of(CarFound)) == 1
    assert {row[0] for row in listener.samples[-4:]} == {"RPM", "VSS", "ECT", "MAF"}


def test_a_rule_does_not_add_what_is_asked_for_no_longer(tmp_path):
    rule = MarkRule("together above 50", "RPM / 1 rpm + VSS / 1 km/h > 50")
    _, listener = drive({20: [Choose(("RPM",))]}, last=60, rules=(rule,))
    assert [m for m in listener.of(Event) if m.kind == "marker"] == []
    _, listener = drive({}, last=60, rules=(rule,))
    assert [m.text for m in listener.of(Event)] == ["together above 50"]


def test_on_the_link_there_is():
    """The adapter is not set up again, and the car is not asked for its facts again."""
    with watched() as (url, adapter):
        # both as often: at its usual rate ECT need not be among the next few readings
        request = CaptureRequest(url, signals=("RPM", "ECT"), rates_hz={"RPM": 10.0, "ECT": 10.0})
        with closing(PolledSource(request, url)) as source:
            source.open(lambda _: None)
            assert {r.signal for _ in range(6) for r in source.read()} == {"RPM", "ECT"}
            made, asked = len(adapter.settings_made), len(adapter.requests)
            with pytest.raises(SignalUnsupportedError):
                source.choose(("EGR_PCT",), {})
            assert {r.signal for _ in range(6) for r in source.read()} == {"RPM", "ECT"}
            assert source.choose(("VSS", "EGR_PCT"), {"VSS": 50.0}).unsupported == ("EGR_PCT",)
            assert {r.signal for _ in range(3) for r in source.read()} == {"VSS"}
            assert len(adapter.settings_made) == made
            assert len(adapter.requests) <= asked + 10


def test_while_the_link_is_away():
    with (
        watched() as (url, _),
        closing(PolledSource(CaptureRequest(url, signals=("RPM",)), url)) as source,
    ):
        source.open(lambda _: None)
        source._own_link().close()
        source.choose(("ECT",), {})
        source.open(lambda _: None)
        assert {r.signal for r in source.read()} == {"ECT"}


def test_in_a_replay_it_goes_on_from_where_it_is(tmp_path):
    t_ns = np.arange(9000) * 10_000_000
    value = np.arange(9000, dtype=float)
    traces = [Trace(s, "7E8", u, t_ns, value) for s, u in (("RPM", "rpm"), ("VSS", "km/h"))]
    path = write_recording(tmp_path / "x.parquet", traces, Facts())
    source = ReplaySource(CaptureRequest(f"replay:{path}?speed=max", signals=("RPM",)))
    source.open(lambda _: None)
    first = source.read()
    source.choose(("VSS",), {})
    rest = []
    with contextlib.suppress(EndOfSourceError):
        while True:
            rest += source.read()
    assert {r.signal for r in rest} == {"VSS"}
    assert [r.t_ns for r in rest] == t_ns[len(first) :].tolist()


def test_an_unattended_run_keeps_its_signals(tmp_path):
    from logbench.capture.messages import Unattended

    listener = Listener()
    request = CaptureRequest("fake:", out=tmp_path / "x.parquet", unattended=Unattended())
    run = UnattendedRun(request, FakeSource(), listener)
    run.command(Choose(("RPM",)))
    run.command(Stop())
    thread = threading.Thread(target=run.run)
    thread.start()
    thread.join()
    (refused,) = listener.of(NotChosen)
    assert "keeps its signals" in refused.sentence
