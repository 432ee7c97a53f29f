"""The wiggle test's detector on synthetic noise: how often it cries wolf, what it finds.

The signals are made here, with numpy, from distributions whose tails are known; no outside data of
wiggled harnesses is at hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.wiggle import LEARN_SAMPLES, HitKind, WiggleWatch

HOURS = 1
RATE_HZ = 10
STEP_NS = 1_000_000_000 // RATE_HZ
N = HOURS * 3600 * RATE_HZ


def noise(name: str, n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t_s = np.arange(n) / RATE_HZ
    return {
        "gauss": lambda: 5 + 0.02 * rng.normal(size=n),
        "uniform": lambda: 5 + rng.uniform(-1, 1, n),
        "laplace": lambda: 5 + rng.laplace(size=n),
        "quantised": lambda: np.round((14.1 + 0.03 * rng.normal(size=n)) / 0.1) * 0.1,
        "constant": lambda: np.full(n, 90.0),
        "flicker": lambda: 90.0 + (rng.random(n) < 0.02),
        "hunting": lambda: 750 + 40 * np.sin(t_s * 2) + 4 * rng.normal(size=n),
        "walk": lambda: 50 + np.cumsum(0.05 * rng.normal(size=n)),
    }[name]()


def watch(name: str) -> WiggleWatch:
    return WiggleWatch({"quantised": 0.1, "constant": 1.0, "flicker": 1.0}.get(name, 0.0))


def times(n: int) -> np.ndarray:
    return np.arange(n, dtype=np.int64) * STEP_NS


@pytest.mark.parametrize(
    ("name", "most_an_hour"),
    [
        ("gauss", 0.5),
        ("uniform", 0.0),
        ("laplace", 8.0),
        ("quantised", 0.5),
        ("constant", 0.0),
        ("flicker", 0.0),
        ("hunting", 0.5),
        ("walk", 0.5),
    ],
)
def test_false_alarms(name: str, most_an_hour: float):
    hits = list(watch(name).feed(times(N), noise(name, N, 1)))
    assert len([h for h in hits if not h.again]) <= most_an_hour * HOURS


@pytest.mark.parametrize(
    ("name", "height"),
    [("gauss", 0.3), ("uniform", 10.0), ("quantised", 0.6), ("constant", 6.0), ("hunting", 100.0)],
)
def test_spikes_are_found_at_their_sample(name: str, height: float):
    found = 0
    for seed in range(30):
        values = noise(name, 400, seed)
        values[300] += height
        hits = watch(name).feed(times(400), values)
        found += [h.t_ns for h in hits] == [300 * STEP_NS]
        assert all(h.kind is HitKind.SPIKE for h in hits)
    assert found >= 28


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_step_is_a_spike_at_first_and_then_a_step(sign: int):
    values = noise("gauss", 400, 4)
    values[250:] += sign * 1.0
    hits = WiggleWatch().feed(times(400), values)
    assert [(h.kind, h.t_ns, h.again) for h in hits] == [
        (HitKind.SPIKE, 250 * STEP_NS, False),
        (HitKind.STEP, 250 * STEP_NS, True),
    ]
    assert hits[1].size == pytest.approx(sign, abs=0.1)


def test_dropouts_once_each():
    t_ns, values = times(400), noise("gauss", 400, 5)
    values[200:205] = np.nan
    keep = np.ones(400, bool)
    keep[300:330] = False
    hits = WiggleWatch().feed(t_ns[keep], values[keep])
    assert [(h.kind, h.t_ns) for h in hits] == [
        (HitKind.DROPOUT, 200 * STEP_NS),
        (HitKind.DROPOUT, 299 * STEP_NS),
    ]


def test_silence_is_told_while_it_lasts():
    signal = WiggleWatch()
    signal.feed(times(100), noise("gauss", 100, 6))
    end_ns = 99 * STEP_NS
    assert signal.silence(end_ns + 900_000_000) is None
    hit = signal.silence(end_ns + 1_100_000_000)
    assert hit is not None
    assert hit.kind is HitKind.DROPOUT
    assert signal.silence(end_ns + 5_000_000_000) is None


def test_nothing_is_said_while_learning():
    signal = WiggleWatch()
    values = noise("gauss", LEARN_SAMPLES, 7)
    values[10] = 100.0
    assert signal.feed(times(LEARN_SAMPLES), values) == []
    assert signal.learning
    assert np.isnan(signal.threshold)
