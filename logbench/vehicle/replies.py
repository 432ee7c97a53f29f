"""Replies to polls: the frames and the time that a request should take, and what its replies hold.

The number of frames is predicted from what ECUs support and corrected by what comes. It is
announced to the adapter, so that it does not wait for more. Too small a number cuts replies off,
too large a one costs the adapter's timeout; both are noticed and learned per request.
"""

from __future__ import annotations

import logging
import math
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logbench.errors import ReplyError
from logbench.signals.decoding import Scaling, decode
from logbench.signals.table import Signal
from logbench.vehicle.framing import frames_of
from logbench.vehicle.link import NEGATIVE
from logbench.vehicle.model import Reading, Reply
from logbench.vehicle.peer import Asked, Pids, Shape
from logbench.vehicle.wanted import DataService, PolledPid

log = logging.getLogger(__name__)

_LOOK_AGAIN = 500
"""Requests after which an incomplete but steady reply is looked at without a count again."""
_ODD = 2
"""So often in a row a reply must differ before the expectation is given up."""
_LEGACY_DATA_BYTES = 5
"""SAE J1979: a frame of the older buses holds service, PID and up to five data bytes."""


@dataclass(slots=True)
class _Expectation:
    frames: int | None
    odd: int = 0
    settled: bool = False
    """Incomplete, but seen without a count: an ECU is silent, nothing is cut off."""


class FrameBook:
    """Reply frames by request. `lengths`: data bytes of each PID, shared with the poller."""

    def __init__(
        self,
        pids: Mapping[int, PolledPid],
        lengths: Mapping[int, int],
        service: DataService,
        is_can: bool,
        to: str | None,
    ) -> None:
        self._pids = pids
        self._lengths = lengths
        self._service = service
        self._is_can = is_can
        self._to = to
        self._asked: dict[Pids, tuple[Asked, ...]] = {}
        self._expected: dict[Pids, _Expectation] = {}

    def clear(self) -> None:
        """Begin anew: lengths have changed."""
        self._asked.clear()
        self._expected.clear()

    def ecus(self, pid: int) -> tuple[str, ...]:
        """Who should answer `pid`."""
        return (self._to,) if self._to else self._pids[pid].ecus

    def asked(self, pids: Pids) -> tuple[Asked, ...]:
        """What a request asks of each ECU, and in how many frames it should answer."""
        if pids not in self._asked:
            by_ecu: dict[str, list[int]] = {}
            for pid in pids:
                for ecu in self.ecus(pid):
                    by_ecu.setdefault(ecu, []).append(pid)
            self._asked[pids] = tuple(
                Asked(ecu, Shape(len(pids), self._frames(of_ecu)), tuple(of_ecu))
                for ecu, of_ecu in by_ecu.items()
            )
        return self._asked[pids]

    def least(self, pids: int) -> Shape:
        """The smallest request for so many PIDs: each has one data byte."""
        lengths = dict.fromkeys(range(pids), 1)
        return Shape(pids, frames_of(self._service.reply_bytes(tuple(lengths), lengths)))

    def predicted(self, pids: Pids) -> int | None:
        """Frames by calculation; None when only the reply can tell."""
        if not self._is_can and any(self._lengths[pid] > _LEGACY_DATA_BYTES for pid in pids):
            return None
        return sum(one.shape.frames for one in self.asked(pids))

    def expected(self, pids: Pids) -> int | None:
        """Frames to announce; None: announce nothing and see."""
        known = self._expected.get(pids)
        return self.predicted(pids) if known is None else known.frames

    def learn(
        self, pids: Pids, frames: int, damaged: bool, answered: Mapping[int, set[str]]
    ) -> None:
        """Take in a reply of `frames` frames in which `answered` says which ECU gave which PID."""
        known = self._expected.setdefault(pids, _Expectation(self.predicted(pids)))
        complete = all(answered.get(pid, set()) >= set(self.ecus(pid)) for pid in pids)
        if damaged or not frames:
            return
        if complete:
            known.frames, known.odd, known.settled = frames, 0, False
        elif known.frames is None:
            known.frames, known.odd, known.settled = frames, 0, True
        else:
            known.odd += 1
            steady = known.settled and frames == known.frames
            if known.odd >= (_LOOK_AGAIN if steady else _ODD):
                known.frames, known.odd = None, 0

    def _frames(self, pids: Sequence[int]) -> int:
        if not self._is_can:
            return max(-(-self._lengths[pid] // _LEGACY_DATA_BYTES) for pid in pids)
        return frames_of(self._service.reply_bytes(pids, self._lengths))


_FORGETTING = 1e-4
_NOISE_S = 0.002
"""Round trips scatter by about this much."""
_PRIOR_S = (0.014, 1e-4, 5e-4)
_SPREAD_S = (0.036, 1e-4, 1e-2)
_PRIOR_P = np.diag((np.array(_SPREAD_S) / _NOISE_S) ** 2)
_WORTH_KEEPING = 200
_CLIP = 0.3
"""A round trip longer than expected counts at most this share more: a busy computer delays, now and
then a lot, but never hurries."""


class CostModel:
    """Predicts the duration of a request; learns from each one seen.

    elapsed = fixed + per_character * characters + per_frame * frames

    by recursive least squares with forgetting (after L. Ljung, System Identification, 2nd ed.,
    section 11.2, from memory) from a prior of a usual adapter, so that what the data cannot tell
    apart stays sensible. The fixed part is the link's and the ECU's together.
    """

    def __init__(self) -> None:
        self._theta = list(_PRIOR_S)
        self._p = _PRIOR_P
        self.seen = 0

    @property
    def kept(self) -> tuple[float, float, float] | None:
        """Fixed, by character, by frame, in seconds; None while too little was seen."""
        fixed, character, frame = self._theta
        return (fixed, character, frame) if self.seen >= _WORTH_KEEPING else None

    def recall(self, kept: tuple[float, float, float] | None) -> None:
        """Begin with what was kept."""
        if kept is not None:
            self._theta = list(kept)

    def predict_s(self, characters: float, frames: int) -> float:
        """Expected duration of a request; never negative."""
        t = self._theta
        value = max(t[0], 0.0) + t[1] * characters + t[2] * frames
        return max(value, 1e-5)

    def learn(self, elapsed_s: float, characters: float, frames: int) -> None:
        """Take in one round trip. Outliers (a wait of the operating system) are clipped."""
        x = np.array((1.0, characters, frames))
        expected = self.predict_s(characters, frames)
        error = elapsed_s - float(x @ self._theta)
        if self.seen >= 8:
            error = min(error, _CLIP * expected)
        p_x = self._p @ x
        scale = 1.0 + x @ p_x
        self._theta = (self._theta + p_x / scale * error).tolist()
        # Forgetting by leaning towards the prior's spread: what the data do not excite stays
        # bounded and the matrix positive, where division by a factor would let it grow for ever.
        shrunk = self._p - np.outer(p_x, p_x) / scale
        self._p = (1 - _FORGETTING) * shrunk + _FORGETTING * _PRIOR_P
        self.seen += 1


_RANGE_SLACK = 1e-9
_PUZZLES = 2
"""Replies that cannot be split before the PIDs are asked one by one to learn their lengths."""

Answered = dict[int, set[str]]
"""PID to the ECUs that answered it."""


class ReplyReader:
    """Reads the replies to requests for `pids`.

    `counts`: lines or replies that made no sense are counted as `damaged`, values outside their
    signal's range, which are dropped, as `out of range`.
    """

    def __init__(
        self, service: DataService, pids: Mapping[int, PolledPid], counts: Counter[str]
    ) -> None:
        self._service, self._pids, self._counts = service, pids, counts
        self.lengths = {pid: state.signals[0].length for pid, state in pids.items()}
        """Data bytes of each PID: of the table, until this car shows others."""
        self.learned = 0
        """How often a length has turned out otherwise."""
        self.scaling: dict[str, Scaling] = {}
        """Of ECUs that have one of their own."""
        self.singles: deque[int] = deque()
        """PIDs to be asked alone next, so that their lengths are seen."""
        self._table_lengths = dict(self.lengths)
        self._longer: dict[int, int] = {}
        self._puzzles = 0

    def take(self, replies: Sequence[Reply], pids: Pids) -> tuple[list[Reading], Answered]:
        """Samples of the replies, and which ECUs answered which PID."""
        readings: list[Reading] = []
        answered: Answered = {}
        for reply in replies:
            if reply.data[0] == NEGATIVE:
                continue
            parts = self._whole(reply, pids[0]) if len(pids) == 1 else self._split(reply, pids)
            for pid, data in parts:
                answered.setdefault(pid, set()).add(reply.ecu)
                readings += self._decode(pid, data, reply)
        return readings, answered

    def _split(self, reply: Reply, pids: Pids) -> list[tuple[int, bytes]]:
        """PIDs and their data; nothing when the reply is not wholly understood."""
        try:
            parts = self._service.split(reply.data, self.lengths)
        except ReplyError as error:
            log.info("%s from %s: %s", reply.data.hex(), reply.ecu, error)
            self._puzzled(pids)
            return []
        got = [pid for pid, _ in parts]
        if len(set(got)) < len(got) or not set(got) <= set(pids):
            self._puzzled(pids)
            return []
        self._puzzles = 0
        return parts

    def _puzzled(self, pids: Pids) -> None:
        """A whole reply that cannot be split: has a PID more bytes than the table says?"""
        self._counts["damaged"] += 1
        self._puzzles += 1
        if self._puzzles >= _PUZZLES:
            self._puzzles = 0
            self.singles.extend([*pids, *pids])

    def _whole(self, reply: Reply, pid: int) -> list[tuple[int, bytes]]:
        """The reply to a lone PID shows how many bytes it has in this car."""
        head = self._service.payload((pid,))[1:]
        data = reply.data[1 + len(head) :]
        if reply.data[1 : 1 + len(head)] != head or len(data) < self._table_lengths[pid]:
            self._counts["damaged"] += 1
            return []
        if len(data) != self.lengths[pid]:
            if self._longer.get(pid) == len(data):  # seen twice: no transmission fault
                log.info("PID %02X has %d data bytes in this car", pid, len(data))
                self.lengths[pid] = len(data)
                self.learned += 1
            self._longer[pid] = len(data)
        return [(pid, data)]

    def _decode(self, pid: int, data: bytes, reply: Reply) -> list[Reading]:
        try:
            values = decode(pid, data, self.scaling.get(reply.ecu))
        except ReplyError as error:
            log.info("PID %02X: %s", pid, error)
            self._counts["damaged"] += 1
            return []
        readings: list[Reading] = []
        for signal in self._pids[pid].signals:
            value = values[signal.acronym]
            if not math.isnan(value) and not self._plausible(signal, value, reply.ecu):
                self._counts["out of range"] += 1
                continue
            readings.append(Reading(signal.acronym, reply.ecu, reply.t_ns, value))
        return readings

    def _plausible(self, signal: Signal, value: float, ecu: str) -> bool:
        """Within the signal's range; a scaling of the car's own widens it."""
        slack = _RANGE_SLACK * max(abs(signal.minimum), abs(signal.maximum), 1.0)
        if signal.minimum - slack <= value <= signal.maximum + slack:
            return True
        return bool(signal.override) and ecu in self.scaling
