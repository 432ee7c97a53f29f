"""The even clock with holes: the steps of the whole clock, those near samples and no others."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logbench.recording.even import near, whole


@given(
    st.lists(st.integers(-5_000, 5_000), min_size=1, max_size=20),
    st.integers(1, 60),
    st.integers(0, 200),
    st.integers(0, 200),
    st.integers(1, 10),
)
def test_groups_of_steps_that_lie_near_a_sample(times, step, before, after, many):
    t_ns = np.unique(np.array(times, np.int64))
    every = whole(int(t_ns[0]), int(t_ns[-1]), step)
    wanted = set()
    for at in t_ns.tolist():
        first = (max(at - before, int(t_ns[0])) - int(t_ns[0])) // (step * many)
        last = (min(at + after, int(t_ns[-1])) - int(t_ns[0])) // (step * many)
        wanted |= set(every[first * many : (last + 1) * many].tolist())
    found = near(t_ns, (int(t_ns[0]), int(t_ns[-1]), step), (before, after), many)
    assert found.tolist() == sorted(wanted)
