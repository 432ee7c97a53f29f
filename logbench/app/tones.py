"""Short tones, for eyes that are elsewhere.

Qt's sound module is not among the parts of Qt that this program needs, so a tone is a small WAV
file given to what the system plays sound with; where there is nothing, Qt's own bell is rung, which
many desktops keep silent. The pages show everything a tone says, too.
"""

from __future__ import annotations

import io
import shutil
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
from PySide6.QtCore import QProcess
from PySide6.QtWidgets import QApplication

from logbench.errors import StorageError
from logbench.recording.storage import storage_trouble, write_whole
from logbench.system import platforms
from logbench.system.platforms import cache_home
from logbench.system.private import make_folder

Name = Literal["next", "hit", "lost"]
_RATE_HZ = 22_050
_PLAYERS = ("pw-play", "paplay", "aplay", "afplay")
_LEAST_S = 0.25
_NOTES: dict[Name, tuple[tuple[float, float], ...]] = {
    "next": ((660.0, 0.12), (880.0, 0.2)),
    "hit": ((1320.0, 0.09),),
    "lost": ((660.0, 0.15), (440.0, 0.3)),
}
"""Frequency in Hz and length in s of each note, one after the other."""


def wav_of(name: Name) -> bytes:
    """A tone as a WAV file: one channel, 16 bits."""
    parts = []
    for frequency_hz, length_s in _NOTES[name]:
        t_s = np.arange(round(length_s * _RATE_HZ)) / _RATE_HZ
        fade = np.minimum(1.0, np.minimum(t_s, length_s - t_s) / 0.01)
        parts.append(0.6 * fade * np.sin(2 * np.pi * frequency_hz * t_s))
    samples = (np.concatenate(parts) * 32_767).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(_RATE_HZ)
        file.writeframes(samples.tobytes())
    return out.getvalue()


class Tones:
    """Plays tones, at most four a second, without waiting for them."""

    def __init__(self, player: Callable[[Name], None] | None = None) -> None:
        self.player: Callable[[Name], object] = player or _play
        self._last_s = 0.0
        self.on = True

    def play(self, name: Name) -> None:
        """Play a tone now, unless one has just begun or tones are off."""
        now_s = time.monotonic()
        if self.on and now_s - self._last_s >= _LEAST_S:
            self._last_s = now_s
            self.player(name)


def _play(name: Name) -> None:
    if platforms.SYSTEM == "windows":
        platforms.play_wave(wav_of(name))
        return
    player = next((p for p in map(shutil.which, _PLAYERS) if p), None)
    try:
        played = player is not None and QProcess.startDetached(player, [str(_file_of(name))])[0]
    except StorageError:
        played = False
    if not played:
        QApplication.beep()


def _file_of(name: Name) -> Path:
    path = cache_home() / f"tone-{name}.wav"
    if not path.is_file():
        with storage_trouble(path):
            make_folder(path.parent)
        write_whole(path, wav_of(name))
    return path
