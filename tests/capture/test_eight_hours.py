"""Eight hours through the capture process, accelerated: nothing lost, memory flat."""

from __future__ import annotations

import os
import sys

import numpy as np
import pytest

from logbench.capture.messages import Batch, CaptureRequest, Failed, Finished, Status, Step
from logbench.capture.process import Capture
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.recording.reader import open_recording
from logbench.vehicle.model import CarFacts, Reading

HOURS = 8.0
RATE_HZ = 15.0
SIGNALS = ("RPM", "VSS", "ECT", "MAF", "MAP", "TP", "SHRTFT1", "LONGFT1", "LOAD_PCT", "VPWR")
READS = int(HOURS * 3600 * RATE_HZ)
MOST_GROWTH_MB = 50.0
MOST_WHILE_FINISHING_MB = 200.0
"""More than before, for a moment: `recording.finish` holds so many samples at once."""


def value_of(read: int, number: int) -> float:
    """What signal `number` is at a read: known to both sides, never the same twice in a row."""
    return float((read * 31 + number * 7) % 1009) / 4


class EightHours(Source):
    """150 samples a second for eight hours of its own clock, as fast as they are taken."""

    def __init__(self, request: CaptureRequest) -> None:
        self._read = 0

    def open(self, progress):
        facts = CarFacts(supported={"7E8": frozenset()}, protocol="fake")
        return Opened(facts, SIGNALS, simulated=True, steady=False)

    def read(self):
        if self._read >= READS:
            raise EndOfSourceError
        k, t_ns = self._read, self.now_ns()
        self._read += 1
        return [Reading(s, "7E8", t_ns, value_of(k, n)) for n, s in enumerate(SIGNALS)]

    def choose(self, signals, rates_hz):
        raise NotImplementedError

    def now_ns(self):
        return int(self._read / RATE_HZ * 1e9)

    def voltage(self):
        return None

    def sleep(self):
        pass

    def cancel(self):
        pass

    def close(self):
        pass


def resident_mb(pid: int) -> float:
    """Resident memory of a process now (Linux proc(5), statm: second field, in pages)."""
    with open(f"/proc/{pid}/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_eight_hours(tmp_path):
    """Every sample the source gave is in the file; growth is measured from the tenth part on,
    over both processes, until finishing begins; finishing itself has a limit of its own."""
    out = tmp_path / "long.parquet"
    recording_mb: list[tuple[float, float, float]] = []
    finishing_mb: list[float] = []
    shown, finished, finishing = 0, None, False
    with Capture(CaptureRequest("eight-hours:", out=out), EightHours) as capture:
        while finished is None:
            capture.wait(0.2)
            for message in capture.poll():
                assert not isinstance(message, Failed), message
                if isinstance(message, Batch):
                    shown += message.samples
                elif isinstance(message, Finished):
                    finished = message
                elif isinstance(message, Status):
                    sizes = resident_mb(capture._process.pid), resident_mb(os.getpid())
                    if finishing or message.elapsed_s >= HOURS * 3595:
                        finishing_mb.append(sizes[0])
                    else:
                        recording_mb.append((message.elapsed_s, *sizes))
                elif isinstance(message, Step):
                    finishing = finishing or message.text.startswith("Finishing")
    assert finished.samples == READS * len(SIGNALS)
    assert shown <= finished.samples
    recording = open_recording(out)
    assert recording.facts.events == []
    read = np.arange(READS)
    for number, signal in enumerate(SIGNALS):
        trace = recording.trace(signal)
        np.testing.assert_array_equal(trace.value, (read * 31 + number * 7) % 1009 / 4)
        assert trace.t_ns[-1] == int((READS - 1) / RATE_HZ * 1e9)
    settled = [sizes for elapsed_s, *sizes in recording_mb if elapsed_s > HOURS * 360]
    assert len(settled) > 10
    for process in range(2):
        growth_mb = max(s[process] for s in settled) - settled[0][process]
        print(f"process {process}: {settled[0][process]:.0f} MB, grew by {growth_mb:.1f} MB")
        assert growth_mb < MOST_GROWTH_MB
    if finishing_mb:
        growth_mb = max(finishing_mb) - settled[-1][0]
        print(f"finishing: {growth_mb:.0f} MB more")
        assert growth_mb < MOST_WHILE_FINISHING_MB
