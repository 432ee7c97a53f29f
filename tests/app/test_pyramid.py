"""The pyramid against brute force over the same samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.plot.pyramid import BLOCK, FIRST_BUCKET, Pyramid


def samples(n: int, seed: int, gaps: bool = False) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t_ns = np.cumsum(rng.integers(1, 100_000_000, n)).astype(np.int64)
    value = rng.normal(size=n) * 100
    if gaps:
        value[rng.random(n) < 0.2] = np.nan
    return t_ns, value


def built(t_ns: np.ndarray, value: np.ndarray, pieces: list[int], at_once: int) -> Pyramid:
    """The first `at_once` samples as whole arrays, the rest appended in pieces."""
    pyramid = Pyramid.of(t_ns[:at_once], value[:at_once])
    at = at_once
    while at < len(t_ns):
        for piece in pieces:
            pyramid.append(t_ns[at : at + piece], value[at : at + piece])
            at += piece
    return pyramid


drives = st.tuples(
    st.integers(0, 3 * BLOCK // 2),
    st.integers(0, 2**31),
    st.booleans(),
    st.lists(st.integers(1, 5000), min_size=1, max_size=6),
    st.floats(0, 1),
)


@settings(deadline=None, derandomize=True)
@given(drives, st.floats(-0.1, 1.1), st.floats(0, 1.2), st.integers(1, 2000))
def test_buckets_are_the_extremes_of_their_samples(drive, start, width, pixels):
    n, seed, gaps, pieces, share = drive
    t_ns, value = samples(n, seed, gaps)
    pyramid = built(t_ns, value, pieces, int(n * share))
    whole = int(t_ns[-1]) if n else 1000
    t0, t1 = int(start * whole), int((start + width) * whole)
    got = pyramid.buckets(t0, t1, max(1, t1 - t0) / pixels)
    assert len(pyramid) == n
    assert len(got) == len(got.low) == len(got.high) == len(got.t_ns)
    single = value.astype(np.float32)
    places = np.searchsorted(t_ns, got.t_ns)
    if len(got):
        np.testing.assert_array_equal(t_ns[places], got.t_ns)
    for place, low, high in list(zip(places, got.low, got.high, strict=True))[
        :: len(got) // 50 + 1
    ]:
        mine = single[place : place + got.samples]
        known = mine[np.isfinite(mine)]
        assert (
            (np.isnan(low) and np.isnan(high))
            if not len(known)
            else (low == known.min() and high == known.max())
        )


@settings(deadline=None, derandomize=True)
@given(drives, st.integers(1, 2000))
def test_nothing_in_view_is_left_out(drive, pixels):
    """Every sample shown lies in some entry, but for a tail shorter than one bucket."""
    n, seed, _, pieces, share = drive
    t_ns, value = samples(n, seed)
    pyramid = built(t_ns, value, pieces, int(n * share))
    if n == 0:
        assert len(pyramid.buckets(0, 1, 1.0)) == 0
        assert pyramid.extremes(0, 1) is None
        return
    got = pyramid.buckets(int(t_ns[0]), int(t_ns[-1]), int(t_ns[-1]) / pixels)
    covered = len(got) * got.samples
    assert covered <= n
    assert n - covered < got.samples or got.samples == 1
    assert got.samples * pixels <= 1.2 * n or got.samples == 1
    if got.samples == 1:
        assert len(got) == n
    seen = value.astype(np.float32)[:covered]
    assert np.nanmin(got.low) == seen.min()
    assert np.nanmax(got.high) == seen.max()


@settings(deadline=None, derandomize=True)
@given(drives, st.floats(-0.1, 1.1), st.floats(0, 1.1))
def test_between_and_at_give_the_samples_back(drive, start, width):
    n, seed, _, pieces, share = drive
    t_ns, value = samples(n, seed)
    pyramid = built(t_ns, value, pieces, int(n * share))
    whole = int(t_ns[-1]) if n else 1000
    t0, t1 = int(start * whole), int((start + width) * whole)
    got_t, got_v = pyramid.between(t0, t1)
    inside = (t_ns >= t0) & (t_ns < t1)
    np.testing.assert_array_equal(got_t, t_ns[inside])
    np.testing.assert_array_equal(got_v, value[inside])
    before = np.flatnonzero(t_ns <= t0)
    expected = (int(t_ns[before[-1]]), float(value[before[-1]])) if len(before) else None
    assert pyramid.at(t0) == expected


def test_at_the_time_of_a_sample_it_is_that_sample():
    t_ns = np.arange(5, dtype=np.int64) * 10
    pyramid = Pyramid.of(t_ns, t_ns / 10.0)
    found = [pyramid.at(t) for t in (-1, 0, 9, 10, 99)]
    assert found == [None, (0, 0.0), (0, 0.0), (10, 1.0), (40, 4.0)]
    assert pyramid.around(10) == ((10, 1.0), 20)


def test_of_a_bucket_neither_a_spike_nor_what_is_beside_no_value_is_lost():
    t_ns, value = np.arange(4096, dtype=np.int64), np.zeros(4096)
    value[101], value[201], value[301] = -5.0, 5.0, np.nan
    buckets = Pyramid.of(t_ns, value).buckets(0, 4096, float(FIRST_BUCKET))
    assert buckets.samples > 1
    assert (buckets.low.min(), buckets.high.max()) == (-5.0, 5.0)


@settings(deadline=None, derandomize=True)
@given(drives, st.floats(-0.1, 1.1), st.floats(0, 1.1))
def test_extremes_hold_all_that_is_in_view_and_nothing_far_from_it(drive, start, width):
    n, seed, gaps, pieces, share = drive
    t_ns, value = samples(n, seed, gaps)
    pyramid = built(t_ns, value, pieces, int(n * share))
    whole = int(t_ns[-1]) if n else 1000
    t0, t1 = int(start * whole), int((start + width) * whole)
    got = pyramid.extremes(t0, t1)
    inside = value[(t_ns >= t0) & (t_ns <= t1)]
    inside = inside[np.isfinite(inside)]
    if got is None:
        assert not len(inside)
        return
    if len(inside):
        assert got[0] <= np.float32(inside.min()) or got[0] <= inside.min()
        assert got[1] >= np.float32(inside.max()) or got[1] >= inside.max()
    assert got[0] >= np.float32(np.nanmin(value)) or got[0] >= np.nanmin(value)
    assert got[1] <= np.float32(np.nanmax(value)) or got[1] <= np.nanmax(value)


def test_number_of_entries_does_not_grow_with_length():
    counts = []
    for n in (100_000, 1_000_000):
        t_ns = np.arange(n, dtype=np.int64) * 50_000_000
        got = Pyramid.of(t_ns, np.zeros(n)).buckets(0, int(t_ns[-1]), int(t_ns[-1]) / 1400)
        counts.append(len(got))
        assert 1400 <= len(got) <= 1400 * FIRST_BUCKET
    assert max(counts) <= 4 * min(counts)


def test_given_arrays_are_not_changed_by_appending():
    t_ns, value = samples(1000, 1)
    before = t_ns.copy(), value.copy()
    pyramid = Pyramid.of(t_ns, value)
    pyramid.append(np.array([int(t_ns[-1]) + 5]), np.array([7.0]))
    np.testing.assert_array_equal(t_ns, before[0])
    np.testing.assert_array_equal(value, before[1])
    assert pyramid.at(2**62) == (int(before[0][-1]) + 5, 7.0)


def test_a_slow_signal_after_a_quick_start_has_no_gaps():
    """A live trace: two samples in one burst, then one every two seconds."""
    pyramid = Pyramid()
    for t_s in (0.0, 0.05, 2, 4, 6, 8, 10, 12):
        pyramid.append(np.array([int(t_s * 1e9)]), np.array([1.0]))
        assert pyramid.gap_ns(1) > 2.2e9
    assert pyramid.gap_ns(1) < 20e9


@pytest.mark.parametrize("at_once", [0, 5000])
def test_interval_is_that_of_most_samples(at_once: int):
    t_ns = np.arange(6000, dtype=np.int64) * 100_000_000
    t_ns[3000:] += 3_600_000_000_000  # the link was lost for an hour
    pyramid = built(t_ns, np.zeros(6000), [1], at_once)
    assert pyramid.interval_ns == pytest.approx(1e8, rel=0.06)
    assert pyramid.gap_ns(1) < 3_600_000_000_000
