"""What replies to polls hold: split, decoded, checked; how many bytes PIDs have in this car."""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logbench.errors import ReplyError
from logbench.signals.decoding import Scaling, decode
from logbench.signals.table import Signal
from logbench.vehicle.link import NEGATIVE
from logbench.vehicle.model import Reading, Reply
from logbench.vehicle.wanted import DataService, PolledPid

log = logging.getLogger(__name__)

_RANGE_SLACK = 1e-9
_PUZZLES = 2
"""Replies that cannot be split before the PIDs are asked one by one to learn their lengths."""

Pids = tuple[int, ...]
Answered = dict[int, set[str]]
"""PID to the ECUs that answered it."""


@dataclass(slots=True)
class PollerCounts:
    """How it has gone so far."""

    requests: int = 0
    samples: int = 0
    damaged: int = 0
    """Lines or replies that made no sense."""
    silent: int = 0
    """Requests nobody answered."""
    refused: int = 0
    """Negative responses, and requests that the adapter does not understand."""
    out_of_range: int = 0
    """Values outside their signal's range, dropped."""


class ReplyReader:
    """Reads the replies to requests for `pids`; counts what goes wrong in `counts`."""

    def __init__(
        self, service: DataService, pids: Mapping[int, PolledPid], counts: PollerCounts
    ) -> None:
        self._service, self._pids, self._counts = service, pids, counts
        self.lengths = {pid: state.signals[0].length for pid, state in pids.items()}
        """Data bytes of each PID: of the table, until this car shows others."""
        self.learnt = 0
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
                self._counts.refused += 1
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
        self._counts.damaged += 1
        self._puzzles += 1
        if self._puzzles >= _PUZZLES:
            self._puzzles = 0
            self.singles.extend([*pids, *pids])

    def _whole(self, reply: Reply, pid: int) -> list[tuple[int, bytes]]:
        """The reply to a lone PID shows how many bytes it has in this car."""
        head = self._service.payload((pid,))[1:]
        data = reply.data[1 + len(head) :]
        if reply.data[1 : 1 + len(head)] != head or len(data) < self._table_lengths[pid]:
            self._counts.damaged += 1
            return []
        if len(data) != self.lengths[pid]:
            if self._longer.get(pid) == len(data):  # seen twice: no transmission fault
                log.info("PID %02X has %d data bytes in this car", pid, len(data))
                self.lengths[pid] = len(data)
                self.learnt += 1
            self._longer[pid] = len(data)
        return [(pid, data)]

    def _decode(self, pid: int, data: bytes, reply: Reply) -> list[Reading]:
        try:
            values = decode(pid, data, self.scaling.get(reply.ecu))
        except ReplyError as error:
            log.info("PID %02X: %s", pid, error)
            self._counts.damaged += 1
            return []
        readings: list[Reading] = []
        for signal in self._pids[pid].signals:
            value = values[signal.acronym]
            if not math.isnan(value) and not self._plausible(signal, value, reply.ecu):
                self._counts.out_of_range += 1
                continue
            readings.append(Reading(signal.acronym, reply.ecu, reply.t_ns, value))
        return readings

    def _plausible(self, signal: Signal, value: float, ecu: str) -> bool:
        """Within the signal's range; a scaling of the car's own widens it."""
        slack = _RANGE_SLACK * max(abs(signal.minimum), abs(signal.maximum), 1.0)
        if signal.minimum - slack <= value <= signal.maximum + slack:
            return True
        return bool(signal.override) and ecu in self.scaling
