"""Pauses of the process: found by whoever looks first, and asked for while others are found."""

from __future__ import annotations

import time

from logbench.capture.pauses import LEAST_S, Pauses


def test_a_pause_is_given_once_and_covers_its_times(monkeypatch):
    monkeypatch.setattr("logbench.capture.pauses.TICK_S", 3600.0)  # nobody ticks: it stands still
    with Pauses(time.monotonic_ns) as pauses:
        before = time.monotonic_ns()
        assert pauses.fresh() == []
        time.sleep(LEAST_S + 0.2)
        ((start, end),) = pauses.fresh()
        assert pauses.fresh() == []
    assert before <= start + 10**8
    assert end - start > LEAST_S * 1e9
    assert pauses.cover((start + end) // 2)
    assert not pauses.cover(start - 1)
    assert not pauses.cover(end)


def test_without_a_pause_there_is_none():
    with Pauses(time.monotonic_ns) as pauses:
        time.sleep(0.2)
        assert not pauses.cover(time.monotonic_ns())


def test_asked_while_pauses_are_found(monkeypatch):
    """Seen: an iteration over pauses that grew ended the recording."""
    monkeypatch.setattr("logbench.capture.pauses.TICK_S", 0.0)
    monkeypatch.setattr("logbench.capture.pauses.LEAST_S", -1.0)  # every tick is a pause
    with Pauses(time.monotonic_ns) as pauses:
        until = time.monotonic() + 1.0
        while time.monotonic() < until:
            for _ in range(200):
                pauses.cover(-1)
