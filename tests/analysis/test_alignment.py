"""One signal at the times of another: pandas and numpy are the independent oracles."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.analysis import alignment
from logbench.analysis.model import Span
from logbench.recording.model import Trace

S = 1_000_000_000


def trace(times_s, values) -> Trace:
    t_ns = np.round(np.asarray(times_s, float) * S).astype(np.int64)
    return Trace("RPM", "7E8", "rpm", t_ns, np.asarray(values, float))


def ns(*times_s: float) -> np.ndarray:
    return np.round(np.asarray(times_s) * S).astype(np.int64)


def test_a_sample_of_the_same_request_is_taken_as_it_is():
    rpm = trace([0.0, 0.5, 1.0], [700, 5000, 800])
    assert alignment.same_request(rpm, ns(0.5, 0.500000001)).tolist()[0] == 5000
    assert np.isnan(alignment.same_request(rpm, ns(0.500000001))).all()
    assert alignment.linear(rpm, ns(0.5), 0.1).tolist() == [5000]


def test_nothing_is_invented_across_a_gap_or_at_the_ends():
    rpm = trace([0.0, 1.0, 10.0, 11.0], [1, 2, 11, 12])
    got = alignment.linear(rpm, ns(-0.5, 0.5, 5.0, 10.5, 12.0), 2.0)
    np.testing.assert_array_equal(got, [np.nan, 1.5, np.nan, 11.5, np.nan])
    got = alignment.previous(rpm, ns(-0.5, 1.9, 3.1, 10.0), 2.0)
    np.testing.assert_array_equal(got, [np.nan, 2, np.nan, 11])


def test_not_used_stays_not_used():
    rpm = trace([0, 1, 2], [1, np.nan, 3])
    assert np.isnan(alignment.linear(rpm, ns(0.5, 1.0, 1.5), 5)).all()
    assert np.isnan(alignment.previous(rpm, ns(1.5), 5)).all()


def test_of_samples_with_one_time_stamp_the_last_counts_for_previous():
    rpm = trace([0, 0, 0, 1], [1, 2, 3, 4])
    assert alignment.previous(rpm, ns(0, 0.5), 1).tolist() == [3, 3]
    assert rpm.interval_s == 1.0


def test_an_empty_trace_gives_nothing():
    empty = trace([], [])
    assert np.isnan(alignment.linear(empty, ns(0, 1), 1)).all()
    assert np.isnan(alignment.previous(empty, ns(0, 1), 1)).all()
    assert empty.interval_s == float("inf")


times = st.lists(st.integers(0, 20_000), min_size=2, max_size=40, unique=True).map(sorted)


@given(times, st.lists(st.integers(-1000, 21_000), min_size=1, max_size=30).map(sorted))
@settings(max_examples=60, deadline=None)
def test_previous_agrees_with_pandas_merge_asof(at_ms, wanted_ms):
    source = trace([t / 1000 for t in at_ms], np.arange(len(at_ms)))
    wanted = ns(*[t / 1000 for t in wanted_ms])
    ours = alignment.previous(source, wanted, 0.7)
    theirs = pd.merge_asof(
        pd.DataFrame({"t": wanted}),
        pd.DataFrame({"t": source.t_ns, "v": source.value}),
        on="t",
        tolerance=int(0.7 * S),
    )["v"].to_numpy(float)
    np.testing.assert_array_equal(ours, theirs)


@given(times, st.lists(st.integers(-1000, 21_000), min_size=1, max_size=30))
@settings(max_examples=60, deadline=None)
def test_linear_agrees_with_numpy_where_there_is_no_gap(at_ms, wanted_ms):
    rng = np.random.default_rng(len(at_ms))
    source = trace([t / 1000 for t in at_ms], rng.normal(size=len(at_ms)))
    wanted = ns(*[t / 1000 for t in wanted_ms])
    theirs = np.interp(wanted, source.t_ns, source.value, left=np.nan, right=np.nan)
    np.testing.assert_allclose(alignment.linear(source, wanted, 1e6), theirs, atol=1e-9)


def test_inside_and_runs():
    spans = (Span(0, 10), Span(20, 30))
    t = np.array([-1, 0, 9, 10, 20, 29, 30])
    assert alignment.inside(t, spans).tolist() == [False, True, True, False, True, True, False]
    assert alignment.owner(t, spans).tolist() == [-1, 0, 0, -1, 1, 1, -1]
    assert alignment.inside(t, ()).tolist() == [False] * 7
    mask = np.array([True, True, False, True])
    found = alignment.runs(mask, np.array([0, 5, 10, 15]), 5)
    assert found == (Span(0, 10), Span(15, 20))
    assert alignment.total_s((Span(0, S), Span(2 * S, 4 * S))) == 3.0
