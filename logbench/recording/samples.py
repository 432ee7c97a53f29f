"""The checksum of a recording's samples."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import numpy as np

from logbench.recording.model import Trace


class SampleHash:
    """SHA-256 over traces, each as its signal, ECU, length, times and values.

    Traces must come sorted by (signal, ECU). Independent of the file format: names are UTF-8 and
    end in a zero byte, the length is 8 bytes, times are int64 and values float64, all
    little-endian; every NaN counts as the same one.
    """

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def add(self, trace: Trace) -> None:
        """Take in one trace."""
        names = f"{trace.signal}\0{trace.ecu}\0".encode()
        self._hash.update(names + len(trace).to_bytes(8, "little"))
        value = np.where(np.isnan(trace.value), np.nan, trace.value)
        self._hash.update(np.ascontiguousarray(trace.t_ns, "<i8").data)
        self._hash.update(np.ascontiguousarray(value, "<f8").data)

    def hexdigest(self) -> str:
        """64 hexadecimal digits."""
        return self._hash.hexdigest()


def hash_of(traces: Iterable[Trace]) -> str:
    """SHA-256 of traces in any order, see `SampleHash`."""
    digest = SampleHash()
    for trace in sorted(traces, key=lambda trace: (trace.signal, trace.ecu)):
        digest.add(trace)
    return digest.hexdigest()
