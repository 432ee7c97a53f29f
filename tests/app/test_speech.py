"""Sentences spoken by a command that the test puts in the voice's place."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QObject

from logbench.analysis.drive_plan import STEPS, DriveProgress, StepProgress, StepState
from logbench.app.speech import Speaker, Speech, spoken
from logbench.app.window import MainWindow
from logbench.capture.messages import Status
from logbench.foreign import Foreign

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the commands are shell scripts")


class Voices:
    """Commands that write down what they were given, one line each; `held` until let go."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.log, self.gate = folder, folder / "said", folder / "go"
        self.gate.touch()

    def make(self, name: str, *, behind: bool, code: int = 0) -> Speaker:
        what = 'text="$2"; count=$#' if behind else "text=$(cat); count=$#"
        path = self.folder / name
        path.write_text(
            f'#!/bin/sh\n{what}\nprintf "%s\\n" "{name} $count $text" >> "{self.log}"\n'
            f'while [ ! -e "{self.gate}" ]; do sleep 0.02; done\nexit {code}\n'
        )
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
        return Speaker(str(path), ("--",) if behind else (), behind)

    @property
    def said(self) -> list[str]:
        return self.log.read_text().splitlines() if self.log.exists() else []


class Heard:
    """Instead of a voice: what it would have been given."""

    def __init__(self, window: MainWindow) -> None:
        self.texts: list[str] = []
        window.live.shapes.speech.say = self.texts.append


@pytest.fixture
def voices(tmp_path: Path) -> Voices:
    return Voices(tmp_path)


def test_nothing_is_spoken_unless_chosen(settings, voices, qtbot):
    assert not settings.speech
    owner = QObject()
    speech = Speech(settings, owner, [voices.make("voice", behind=True)])
    speech.say("Warm up")
    assert speech._process is None
    speech.switch()
    qtbot.waitUntil(lambda: voices.said == ["voice 2 Speech is on"], timeout=20_000)
    speech.close()


@pytest.mark.parametrize("behind", [True, False])
def test_one_waits_and_the_newest_wins(settings, voices, qtbot, behind):
    settings.speech = True
    owner = QObject()
    speech = Speech(settings, owner, [voices.make("voice", behind=behind)])
    voices.gate.unlink()
    speech.say("first")
    qtbot.waitUntil(lambda: len(voices.said) == 1, timeout=20_000)
    for text in ("second", "third", "fourth"):
        speech.say(text)  # returns at once: the voice still holds the first
    voices.gate.touch()
    qtbot.waitUntil(lambda: len(voices.said) == 2, timeout=20_000)
    qtbot.waitUntil(lambda: speech._process is None, timeout=20_000)
    given = 2 if behind else 0
    assert voices.said == [f"voice {given} first", f"voice {given} fourth"]


def test_a_voice_that_fails_gives_way_to_the_next_and_then_to_a_sentence(settings, voices, qtbot):
    settings.speech = True
    owner, told = QObject(), []
    bad = voices.make("bad", behind=True, code=1)
    found = [Speaker(str(voices.folder / "gone"), ()), bad, voices.make("good", behind=False)]
    speech = Speech(settings, owner, found)
    speech.failed.connect(told.append)
    speech.say("Idle, warm: 60 s more")
    qtbot.waitUntil(lambda: len(voices.said) == 2, timeout=20_000)
    qtbot.waitUntil(lambda: speech._process is None, timeout=20_000)
    said = "Idle, warm: 60 seconds more"
    assert voices.said == [f"bad 2 {said}", f"good 0 {said}"]
    assert [one.program.rpartition("/")[2] for one in speech.speakers] == ["good"]
    speech.speakers = []
    speech.say("more")
    assert "Nothing on this computer speaks" in told[0]


def test_a_voice_that_never_ends_is_cut_off_and_closing_waits_for_none(settings, voices, qtbot):
    settings.speech = True
    owner = QObject()
    voices.gate.unlink()
    speech = Speech(settings, owner, [voices.make(n, behind=True) for n in ("a", "b")])
    speech.say("first")
    qtbot.waitUntil(lambda: len(voices.said) == 1, timeout=20_000)
    speech._end.setInterval(1)
    speech._end.start()
    qtbot.waitUntil(lambda: speech._process is None, timeout=20_000)
    assert len(speech.speakers) == 1
    speech._end.setInterval(60_000)
    speech.say("second")
    qtbot.waitUntil(lambda: len(voices.said) == 2, timeout=20_000)
    speech.close()
    assert speech._process is None
    voices.gate.touch()


@given(st.text(max_size=400))
def test_no_text_is_an_option_or_an_order_to_the_voice(text):
    said = spoken(Foreign(text))
    assert not said.startswith(("-", "+", "!"))
    assert not set(said) & set('\0\n\r<>&|;`$\\"[]{}*~#^=_') - {";"}
    assert len(said) <= 2 * 240 + 40


@pytest.mark.parametrize("text", [
    "--pipe-mode", "-o x", "$(touch x)", "`id`", "a; rm -rf ~", "!-!SET SELF RATE 100",
    "[[volm 0]]", "<speak>x</speak>",
])  # fmt: skip
def test_foreign_text_reaches_the_voice_as_words(settings, voices, qtbot, text):
    settings.speech = True
    owner = QObject()
    speech = Speech(settings, owner, [voices.make("voice", behind=True)])
    speech.say(Foreign(text))
    qtbot.waitUntil(lambda: len(voices.said) == 1, timeout=20_000)
    qtbot.waitUntil(lambda: speech._process is None, timeout=20_000)
    assert voices.said == [f"voice 2 {spoken(Foreign(text))}"]
    assert sorted(p.name for p in voices.folder.iterdir() if p.name == "x") == []


# --- what is spoken during a drive ---


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    window.services.settings.speech = True
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car("RPM", "VSS", "VPWR")
    qtbot.waitUntil(window.live.stack.isVisible)
    return window


def step(number: int, have_s: float = 0.0) -> DriveProgress:
    return DriveProgress((), (StepProgress(STEPS[number], StepState.TO_DO, have_s),))


def send(window: MainWindow, garage, qtbot, from_s: int, **values: float) -> None:
    times = [(from_s * 10 + n) * 10**8 for n in range(20)]
    for signal, value in values.items():
        garage.last.send(*((signal, "7E8", t, value) for t in times))
    session = window.live.session
    qtbot.waitUntil(lambda: session.now_ns == times[-1])
    window.live.shapes.under_way.look()


def test_each_step_is_spoken_once_and_again_when_the_car_stands(recording, garage, qtbot):
    heard, live = Heard(recording).texts, recording.live
    _ = live.shapes.plan
    send(recording, garage, qtbot, 0, RPM=800.0, VSS=0.0)
    live.watcher.progressed.emit(step(2))
    live.watcher.progressed.emit(step(2, 5.0))
    assert heard == ["Idle, warm, everything off, hands and feet off: 60 s more"]
    send(recording, garage, qtbot, 2, RPM=2000.0, VSS=70.0)
    assert len(heard) == 1  # what was asked for is not asked for again on the road
    live.watcher.progressed.emit(step(3))
    assert heard[1:] == ["When safely stopped: Stand still and hold 2,500 rpm: 30 s more"]
    send(recording, garage, qtbot, 4, RPM=800.0, VSS=0.0)
    assert heard[2:] == ["Stand still and hold 2,500 rpm: 30 s more"]


def test_warnings_are_spoken_a_limit_once_each_time_it_is_left(recording, garage, qtbot):
    heard, live = Heard(recording).texts, recording.live
    live.link_watch.warned.disconnect()
    live.link_watch.warned.connect(heard.append)
    garage.last.inbox.append(Status(1.0, 0, 0.0, 0, {}, link="lost"))
    qtbot.waitUntil(lambda: len(heard) == 1)
    assert heard[0].startswith("The link to the car is lost")
    garage.last.inbox.append(Status(2.0, 0, 0.0, 0, {}, link="connected"))
    qtbot.waitUntil(lambda: len(heard) == 2)
    assert heard[1].startswith("The link is back")
    heard.clear()
    voice = live.shapes.voice
    for from_s, volts in ((0, 14.2), (2, 12.1), (4, 12.1), (6, 12.1), (8, 14.2), (10, 12.1)):
        send(recording, garage, qtbot, from_s, RPM=800.0, VSS=0.0, VPWR=volts)
        live.shown._tick()
        voice.look()
    (said,) = heard
    assert "12.10 V: below 13.20 V" in said
    send(recording, garage, qtbot, 14, RPM=800.0, VSS=0.0, VPWR=12.1)
    voice.look()
    assert heard == [said, said]
