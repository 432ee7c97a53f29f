"""The machinery of the proof on a few cars; the proof itself is run by its own command."""

from __future__ import annotations

import math

import pytest

from logbench.simulator.day import STANDARD
from tests.analysis.comparison import proof
from tests.analysis.comparison.proof_report import figures


@pytest.fixture(scope="module")
def outcomes():
    # on one day: the arithmetic of the truth
    return [proof.operating_point_pair(proof.CALIBRATION_SEED + k, STANDARD) for k in (0, 2, 6)]


def test_truth_is_found_on_simulated_cars(outcomes):
    trims = [c for o in outcomes for c in o.claims if c.key.startswith("TOTAL_TRIM")]
    changed = [c for c in trims if c.changed_pair]
    assert changed
    assert {c.truth for c in trims if not c.changed_pair} == {0.0}
    for claim in trims:
        # the error within drives, not from day to day
        assert abs(claim.value - claim.truth) < 2.0
    for claim in changed:
        assert claim.said_changed == (abs(claim.value) > claim.half_width)


def test_figures_name_what_was_counted(outcomes):
    warm = [proof.warm_up_pair(proof.CALIBRATION_SEED)]
    text = figures(outcomes, warm)
    assert "6 pairs of warm drives (3 cars" in text
    assert "total fuel trim, % points, all" in text
    assert "of 3 pairs" in text


def test_same_seed_same_outcome(outcomes):
    again = proof.operating_point_pair(outcomes[0].seed, STANDARD)
    for a, b in zip(again.claims, outcomes[0].claims, strict=True):
        assert (a.key, a.value, a.truth) == (b.key, b.value, b.truth)


def test_power_counts_right():
    def claim(truth: float, value: float, said: bool) -> proof.Claim:
        return proof.Claim("TOTAL_TRIM1", 1, True, truth, value, 1.0, said)

    claims = [claim(2.0, 2.5, True), claim(2.0, 4.0, True), claim(0.5, 0.0, False)]
    assert [c.covered for c in claims] == [True, False, True]
    assert proof.power(claims, (0.0, 1.0, 3.0)) == [(0.0, 1.0, 1, 0.0), (1.0, 3.0, 2, 1.0)]
    assert math.isnan(proof.root_mean_square([math.nan]))
    # Wilson's interval of 9 in 10: 0.596 to 0.982 (published in many tables; from memory)
    assert proof.binomial_interval(9, 10) == pytest.approx((0.596, 0.982), abs=1e-3)
