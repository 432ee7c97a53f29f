"""A finished recording played as a live source: `replay:FILE?speed=N`."""

from __future__ import annotations

import time
from pathlib import Path
from urllib.parse import parse_qsl

import numpy as np

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.errors import LinkUnknownError, SignalUnsupportedError
from logbench.recording.model import Facts
from logbench.recording.reader import Recording, open_recording
from logbench.vehicle.model import CarFacts, Progress, Reading

FASTEST = "max"
_MOST = 4000
"""Samples a read, so that commands are heard."""
_LONGEST_WAIT_S = 0.1


class ReplaySource(Source):
    """See `sources.model.Source`: the samples of a recording at their own times.

    Its clock is the recording's from the first read on, run `speed` times as fast; with `speed=max`
    it jumps from sample to sample. Signals that the recording does not hold are unsupported. It
    runs out at the end. Raises `LinkUnknownError` for a URL that is not understood.
    """

    def __init__(self, request: CaptureRequest) -> None:
        self._request = request
        self._path, self._speed = parse_replay_url(request.link_url)
        self._began_s: float | None = None
        self._next = 0
        self._last_ns = 0
        self._keys: list[tuple[str, str]] = []
        self._number = np.empty(0, np.int64)
        self._t_ns = np.empty(0, np.int64)
        self._value = np.empty(0)

    def open(self, progress: Progress) -> Opened:
        """Load the recording; raises as `open_recording`."""
        progress(f"Opening {self._path.name}")
        return self._chosen(self._request.signals)

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Other signals of the same recording, from where it has got to; rates are as recorded."""
        opened = self._chosen(signals)
        self._next = int(np.searchsorted(self._t_ns, self._last_ns, side="right"))
        return opened

    def _chosen(self, signals: tuple[str, ...]) -> Opened:
        recording = open_recording(self._path)
        wanted = signals or recording.signals
        have = tuple(name for name in wanted if name in recording)
        missing = tuple(name for name in wanted if name not in recording)
        if not have:
            raise SignalUnsupportedError(
                f"{self._path.name} holds none of {', '.join(wanted)}: choose among "
                f"{', '.join(recording.signals)}."
            )
        self._load(recording, have)
        return Opened(
            car_facts(recording.facts, recording.keys),
            have,
            missing,
            simulated=recording.facts.link.simulated,
            time_scale=self._speed or 1.0,
            steady=self._speed > 0,
        )

    def _load(self, recording: Recording, signals: tuple[str, ...]) -> None:
        traces = recording.traces(signals)
        self._keys = [(trace.signal, trace.ecu) for trace in traces]
        number = np.repeat(np.arange(len(traces)), [len(trace) for trace in traces])
        t_ns = np.concatenate([trace.t_ns for trace in traces])
        order = np.argsort(t_ns, kind="stable")
        self._number, self._t_ns = number[order], t_ns[order]
        self._value = np.concatenate([trace.value for trace in traces])[order]

    def read(self) -> list[Reading]:
        """The samples that have become due."""
        if self._began_s is None:
            self._began_s = time.monotonic()
        first = self._next
        if first >= len(self._t_ns):
            raise EndOfSourceError
        last = min(first + _MOST, len(self._t_ns))
        if self._speed:
            wait_s = (int(self._t_ns[first]) - self.now_ns()) / 1e9 / self._speed
            if wait_s > 0:
                time.sleep(min(wait_s, _LONGEST_WAIT_S))
            last = min(last, int(np.searchsorted(self._t_ns, self.now_ns(), side="right")))
        if last <= first:
            return []
        self._next = last
        self._last_ns = int(self._t_ns[last - 1])
        keys = self._keys
        return [
            Reading(keys[number][0], keys[number][1], t_ns, value)
            for number, t_ns, value in zip(
                self._number[first:last].tolist(),
                self._t_ns[first:last].tolist(),
                self._value[first:last].tolist(),
                strict=True,
            )
        ]

    def now_ns(self) -> int:
        """Where the recording has got to."""
        if not self._speed or self._began_s is None:
            return self._last_ns
        return int((time.monotonic() - self._began_s) * self._speed * 1e9)


def parse_replay_url(url: str) -> tuple[Path, float]:
    """File and speed of a `replay:` URL; speed 0 stands for `max`. Raises `LinkUnknownError`."""
    text = url.strip().partition(":")[2]
    name, _, query = text.rpartition("?") if "?speed=" in text else (text, "", "")
    options = dict(parse_qsl(query, keep_blank_values=True))
    speed = options.pop("speed", "1")
    try:
        number = 0.0 if speed == FASTEST else float(speed)
    except ValueError:
        number = -1.0
    if not name or options or not (speed == FASTEST or 0.1 <= number <= 1000.0):
        raise LinkUnknownError(
            f"{url!r} cannot be replayed: write replay:FILE?speed=N with a speed from 0.1 to 1000, "
            "or max."
        )
    return Path(name), number


def car_facts(facts: Facts, keys: tuple[tuple[str, str], ...]) -> CarFacts:
    """What the recording knows of its car, as discovery would have said it."""
    supported: dict[str, set[int]] = {ecu: set() for ecu in facts.ecus}
    for signal, ecu in keys:
        known = facts.signals.get(signal)
        if known is not None and known.pid is not None:
            supported.setdefault(ecu, set()).add(known.pid)
    return CarFacts(
        vin=facts.vehicle.vin,
        protocol=facts.link.protocol,
        adapter=facts.link.adapter,
        supported={ecu: frozenset(pids) for ecu, pids in supported.items()},
        ecu_names=dict(facts.ecus),
    )
