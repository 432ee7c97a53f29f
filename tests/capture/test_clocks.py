"""Clocks that are wrong, jump, or begin anew: the recording's own clock goes on, and nothing is
said of a date or a pause that nobody knows."""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from logbench.capture.clocks import LONGEST_AWAY_S, Clocks, plausible
from logbench.capture.messages import CarChanged, CarFound
from logbench.capture.session import Session
from logbench.car.model import Car
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Facts, iso_utc
from logbench.recording.reader import open_recording
from logbench.system.platforms import Boot, boot_clock
from tests.capture.fake_source import FakeSource
from tests.capture.test_session import Listener, request

TODAY = datetime.datetime(2027, 3, 1, 10, 0, tzinfo=datetime.UTC)
EMPTY_BATTERY = datetime.datetime(2000, 1, 1, 0, 3, tzinfo=datetime.UTC)
SECOND = 10**9
NO_BOOT_CLOCK = Boot("", 0)


@pytest.fixture
def listener() -> Listener:
    return Listener()


def clocks(now: datetime.datetime, boot: Boot = NO_BOOT_CLOCK) -> Clocks:
    return Clocks(lambda: now, lambda: boot)


def left_behind(tmp_path, began: datetime.datetime | str, boot: Boot = NO_BOOT_CLOCK, last_s=20):
    """A journal of a drive of `last_s`, as it is left by a capture that died."""
    kept = Clocks(lambda: TODAY, lambda: boot).kept("first")
    facts = Facts(
        recording_id="first",
        started_utc=began if isinstance(began, str) else iso_utc(began),
        vehicle=Car(label="mine"),
        note="stalls",
        extra=kept,
    )
    path = journal_path(tmp_path / "drive.parquet")
    writer = JournalWriter(path, facts)
    writer.append([("RPM", "7E8", k * SECOND, -float(k)) for k in range(last_s + 1)])
    writer.flush()
    writer.close()
    return path


def gone_on(tmp_path, journal, listener, how: Clocks):
    asked = request(tmp_path, resume=journal)
    ending = Session(asked, FakeSource(0.001, last=50), listener, clocks=how).run()
    assert ending.path is not None
    return ending


def seconds_between(recording) -> float:
    rpm = recording.trace("RPM")
    assert np.all(np.diff(rpm.t_ns) > 0)
    return float(rpm.t_s[21] - rpm.t_s[20])


def test_a_resume_long_after_an_empty_clock_battery_is_no_drive_of_27_years(tmp_path, listener):
    journal = left_behind(tmp_path, EMPTY_BATTERY)
    ending = gone_on(tmp_path, journal, listener, clocks(TODAY))
    (changed,) = listener.of(CarChanged)
    assert changed.same_car
    assert "cannot be told" in changed.sentence
    first, second = open_recording(changed.path), open_recording(ending.path)
    assert first.duration_ns == 20 * SECOND
    assert second.duration_ns < 10 * SECOND
    assert (len(first.trace("RPM")), len(second.trace("RPM"))) == (21, 50)
    assert ending.others == 1
    assert ending.samples == 21 + 200
    assert second.facts.started_utc == iso_utc(TODAY)
    assert (second.facts.vehicle.label, second.facts.note) == ("mine", "stalls")


def test_the_same_run_of_the_computer_tells_whatever_the_time_of_day_says(tmp_path, listener):
    journal = left_behind(tmp_path, EMPTY_BATTERY, Boot("run 7", 1000 * SECOND))
    ending = gone_on(tmp_path, journal, listener, clocks(TODAY, Boot("run 7", 1080 * SECOND)))
    assert not listener.of(CarChanged)
    recording = open_recording(ending.path)
    assert seconds_between(recording) == pytest.approx(60.0, abs=1.0)
    assert [event.kind for event in recording.facts.events] == ["gap"]
    assert recording.facts.extra == {}


def test_the_clock_since_the_start_counts_for_its_own_recording():
    def at(second: int) -> Clocks:
        return Clocks(boot=lambda: Boot("run 7", second * SECOND))

    facts = Facts(recording_id="a", extra=at(100).kept("a", ago_s=5.0))
    assert at(130).since_s(facts, 20.0) == 35.0
    assert at(130).since_s(facts, 36.0) == 36.0  # never before the last sample
    assert at(130).since_s(facts.model_copy(update={"recording_id": "b"}), 20.0) is None


BACK = datetime.timedelta(seconds=90)


@pytest.mark.parametrize(
    ("began", "now", "boot", "tells"),
    [
        pytest.param(TODAY - BACK, TODAY, NO_BOOT_CLOCK, True, id="two times of day"),
        pytest.param(TODAY - BACK, TODAY, Boot("other run", 5), True, id="started anew"),
        pytest.param("", TODAY, NO_BOOT_CLOCK, False, id="no start"),
        pytest.param("2027-03-01T09:58:30", TODAY, NO_BOOT_CLOCK, False, id="no zone"),
        pytest.param("yesterday", TODAY, NO_BOOT_CLOCK, False, id="no time"),
        pytest.param(TODAY, TODAY - 2 * BACK, NO_BOOT_CLOCK, False, id="back"),
        pytest.param(TODAY, EMPTY_BATTERY, NO_BOOT_CLOCK, False, id="battery empty now"),
        pytest.param(
            TODAY - datetime.timedelta(seconds=LONGEST_AWAY_S + 100), TODAY, NO_BOOT_CLOCK, False,
            id="another day",
        ),
        pytest.param(TODAY, TODAY.replace(year=2099), NO_BOOT_CLOCK, False, id="far ahead"),
    ],
)  # fmt: skip
def test_what_times_of_day_may_tell(tmp_path, listener, began, now, boot, tells):
    journal = left_behind(tmp_path, began, Boot("run 7", 1000 * SECOND))
    ending = gone_on(tmp_path, journal, listener, clocks(now, boot))
    assert len(listener.of(CarChanged)) == (not tells)
    if tells:
        assert seconds_between(open_recording(ending.path)) == pytest.approx(70.0, abs=1.0)


def driven(tmp_path, listener, how: Clocks, reads=150):
    ending = Session(request(tmp_path), FakeSource(0.01, last=reads), listener, clocks=how).run()
    recording = open_recording(ending.path)
    assert recording.duration_ns < 10 * SECOND
    assert np.all(np.diff(recording.trace("RPM").t_ns) > 0)
    return recording


def test_a_date_that_cannot_be_is_not_known(tmp_path, listener):
    recording = driven(tmp_path, listener, clocks(EMPTY_BATTERY), reads=20)
    assert recording.facts.started_utc == ""
    assert listener.of(CarFound)[0].started_utc == ""


def jumping(source: FakeSource, set_s: float, slept_s: float, began=TODAY, run="run 7") -> Clocks:
    def after() -> float:
        return 1.0 if source.count > 70 else 0.0

    def utc_now():
        return began + datetime.timedelta(
            seconds=source.now_ns() / 1e9 % 1e5 + (set_s + slept_s) * after()
        )

    return Clocks(utc_now, lambda: Boot(run, source.now_ns() + round(slept_s * after() * 1e9)))


@pytest.mark.parametrize(
    ("set_s", "slept_s", "run", "said"),
    [
        (3600.0, 0.0, "run 7", [("note", "its clock was set: +3600.0 s off")]),
        (-3600.0, 0.0, "run 7", [("note", "its clock was set: -3600.0 s off")]),
        (0.0, 3600.0, "run 7", [("gap", "the computer slept for 3600 s")]),
        (-60.0, 90.0, "run 7", [("gap", "slept for 90 s"), ("note", "set: -60.0 s off")]),
        (3600.0, 0.0, "", [("gap", "slept or its clock was set: +3600.0 s off")]),
        (-3600.0, 0.0, "", [("note", "slept or its clock was set: -3600.0 s off")]),
    ],
)
def test_a_clock_that_jumps_never_moves_the_recordings(
    tmp_path, listener, set_s, slept_s, run, said
):
    source = FakeSource(0.01, last=150)
    how = jumping(source, set_s, slept_s, run=run)
    ending = Session(request(tmp_path), source, listener, clocks=how).run()
    recording = open_recording(ending.path)
    assert recording.duration_ns < 10 * SECOND
    assert np.all(np.diff(recording.trace("RPM").t_ns) > 0)
    events = recording.facts.events
    assert len(events) == len(said)
    for event, (kind, text) in zip(events, said, strict=True):
        assert event.kind == kind
        assert text in event.text
    began = datetime.datetime.fromisoformat(recording.facts.started_utc)
    assert abs(began - TODAY).total_seconds() < 1e5 + 60


def test_a_clock_set_right_during_the_drive_gives_its_date(tmp_path, listener):
    source = FakeSource(0.01, last=150)
    later_s = (TODAY - EMPTY_BATTERY).total_seconds()
    how = jumping(source, later_s, 0.0, began=EMPTY_BATTERY)
    ending = Session(request(tmp_path), source, listener, clocks=how).run()
    recording = open_recording(ending.path)
    began = datetime.datetime.fromisoformat(recording.facts.started_utc)
    expected = how.utc_now() - datetime.timedelta(seconds=recording.duration_ns / 1e9)
    assert abs((began - expected).total_seconds()) < 2.0


def test_a_clock_that_was_set_tells_nothing_of_a_later_pause(tmp_path, listener):
    """It was an hour off and is set right during the drive; then the computer is started anew."""
    source = FakeSource(0.01, last=150)
    how = jumping(source, 3600.0, 0.0)
    session = Session(request(tmp_path), source, listener, clocks=how)
    session.run()
    later = how.utc_now() + datetime.timedelta(seconds=60)
    assert clocks(later, Boot("run 8", 5)).since_s(session.facts, 1.5) is None


def test_the_clocks_of_this_computer():
    first, second = boot_clock(), boot_clock()
    assert first.run == second.run
    assert second.ns >= first.ns
    assert plausible(TODAY)
    assert not plausible(EMPTY_BATTERY)
    assert not plausible(TODAY.replace(year=2099))
