"""The control of false discoveries against the procedure worked by hand and its own promise."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.comparison.control import FALSE_SHARE, adjusted_p

# Benjamini and Hochberg 1995, section 3.2 (myocardial infarction trial): fifteen ordered p values,
# of which the procedure at 5 % rejects the four smallest (values from memory).
TRIAL = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262),
    *(0.5719, 0.6528, 0.7590, 1.0000),
)


def by_hand(p: np.ndarray) -> np.ndarray:
    order = np.argsort(p)
    ranked = p[order] * len(p) / np.arange(1, len(p) + 1)
    smallest = np.minimum.accumulate(ranked[::-1])[::-1]
    out = np.empty(len(p))
    out[order] = np.minimum(smallest, 1.0)
    return out


def test_published_example():
    assert int((adjusted_p(TRIAL) <= FALSE_SHARE).sum()) == 4


def test_against_the_procedure_by_hand():
    rng = np.random.default_rng(1)
    for _ in range(50):
        p = rng.uniform(size=rng.integers(1, 40)) ** 2
        assert adjusted_p(p) == pytest.approx(by_hand(p))


def test_unknown_values_do_not_count():
    p = np.array([0.01, np.nan, 0.02, np.nan])
    found = adjusted_p(p)
    assert np.isnan(found[[1, 3]]).all()
    assert found[[0, 2]] == pytest.approx(adjusted_p([0.01, 0.02]))
    assert len(adjusted_p([])) == 0


def test_a_list_without_true_changes_is_empty_in_19_of_20_cases():
    rng = np.random.default_rng(9)
    wrong = sum((adjusted_p(rng.uniform(size=20)) <= FALSE_SHARE).any() for _ in range(2000))
    assert wrong / 2000 <= 0.06
