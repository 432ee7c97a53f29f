"""The proof on real drives, on the ten of `tests/data`: what is claimed of a car that nobody
touched, and of changes put in. docs/comparison.md has all 60."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from logbench.analysis.comparison.results import CLAIMS
from tests.analysis.comparison import real_pairs as real

FOLDER = Path(__file__).parents[2] / "data" / "untouched"


@pytest.fixture(scope="module")
def drives():
    return list(real.drives_below(FOLDER))


@pytest.fixture(scope="module")
def pairs(drives):
    return list(itertools.combinations(range(len(drives)), 2))


@pytest.mark.parametrize("learned", [False, True])
def test_of_an_untouched_car_nothing_is_claimed(drives, pairs, learned):
    assert len(drives) == 10
    tally = real.unaltered(drives, pairs, learned)
    assert tally.pairs >= 30
    for claim in CLAIMS:
        assert tally.claims[claim.value] <= 0.05 * tally.pairs, claim
    assert tally.claims["signal"] <= 0.1 * tally.pairs  # 45 pairs of ten drives: few of one kind
    rows = [row for name in ("TOTAL_TRIM1", "LONGFT1", "VPWR") for row in tally.numbers[name]]
    error, half, _ = np.array(rows, dtype=np.float64).T
    assert np.mean(np.abs(error) <= half) >= 0.9
    assert np.median(half) < 4.0 * np.sqrt(np.mean(error**2))  # not held by being wide


def test_what_was_put_in_is_found_and_measured(drives, pairs):
    everywhere = next(put for put in real.ALTERED if put[0] == "trims +14 points everywhere")
    found = real.altered(drives, pairs, everywhere, learned=False)
    assert found.judged >= 10
    assert found.held >= 0.9 * found.judged
    assert found.resolved >= 0.95 * found.out
    assert found.signal_held >= 0.9 * found.signals
    charging = next(put for put in real.ALTERED if put[0].startswith("charging"))
    found = real.altered(drives, pairs, charging, learned=False)
    assert found.held >= 0.9 * found.judged
    assert found.shown >= 0.6 * found.judged


def test_the_ideal_power():
    # two-sided z test at 5 %: 1.96 standard deviations are found half of the time, 2.8 in 80 %
    assert real.ideal_power(1.96, 1.0) == pytest.approx(0.5, abs=0.001)
    assert real.ideal_power(2.8016, 1.0) == pytest.approx(0.8, abs=0.001)
    assert real.ideal_power(0.0, 1.0) == pytest.approx(0.05, abs=0.001)
