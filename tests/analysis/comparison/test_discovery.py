"""The control of false discoveries against the procedure worked by hand and its own promise."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.comparison.control import FALSE_SHARE, adjusted_p, shown

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


def test_within_a_family_the_level_is_its_share_of_families_found():
    """Benjamini and Bogomolov, 2014: one of three families is found, so 5/3 % hold in it."""
    p, families = [0.001, 0.04, 0.9, 0.9], ["A", "A", "B", "C"]
    assert shown(p, families) == [True, False, False, False]


def test_a_family_with_more_of_the_attention_needs_less():
    """By hand: 0.03 / 1.6 is 0.038 of two families; 0.03 / 0.4 and 0.03 alone are above 5 %."""
    fuel = {"fuel": 0.8}
    assert shown([0.03, 0.9], ["fuel", "other"], fuel) == [True, False]
    assert shown([0.9, 0.03], ["fuel", "other"], fuel) == [False, False]
    assert shown([0.03, 0.9], ["fuel", "other"]) == [False, False]


def test_where_nothing_compares_nothing_is_shown():
    assert shown([np.nan, np.nan], ["A", "B"]) == [False, False]
    assert shown([], []) == []
