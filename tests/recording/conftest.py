"""Traces and journals for the recording's tests."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.recording.model import Facts, Trace


@pytest.fixture
def traces() -> list[Trace]:
    """Two ECUs, three signals, uneven lengths, NaN in one."""
    rng = np.random.default_rng(7)

    def trace(signal: str, ecu: str, unit: str, n: int) -> Trace:
        t_ns = np.cumsum(rng.integers(1_000_000, 50_000_000, n))
        return Trace(signal, ecu, unit, t_ns, np.round(rng.normal(50, 20, n), 2))

    made = [
        trace("RPM", "7E8", "rpm", 500),
        trace("VSS", "7E9", "km/h", 120),
        trace("VSS", "7E8", "km/h", 300),
        trace("ECT", "7E8", "degC", 40),
    ]
    made[0].value[17] = np.nan
    return made


@pytest.fixture
def facts() -> Facts:
    return Facts(recording_id="0123", started_utc="2026-03-01T10:00:00+00:00", note="a test")
