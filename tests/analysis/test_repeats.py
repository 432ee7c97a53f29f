"""What a car does from one drive to the next: learned, paid for, and held against what is
published.

Outside: scipy's inverse gamma distribution, statsmodels' generalized least squares.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from logbench.analysis.bands import load_bands
from logbench.analysis.comparison.control import FALSE_SHARE, shown
from logbench.analysis.comparison.units import Units
from logbench.analysis.comparison.verdicts import compare_findings
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.repeats import (
    OF_CARS,
    TAILS,
    CellMeans,
    Repeats,
    Scatter,
    mean_of_drives,
    of_car,
    prior,
    spread_of_drives,
)
from logbench.analysis.run import all_checks

BANDS = load_bands()
IDLE = Subject("fuel_trim", "bank 1, warm idle")


def trim(value: float, half: float = 0.8):
    return IDLE.judged("Total fuel trim", Measured(value, half), BANDS["fuel_trim_total"])


# --- what is known before ---


@pytest.mark.parametrize(
    ("number", "sd"),
    [
        ("fuel trim: bank 2, warm idle", 2.18),
        ("fuel trim: bank 1, load", 2.58),
        ("charging: charging", 0.20),
        ("warm up: highest coolant temperature", 2.95),
        ("idle: ignition timing at idle", 0.86),
        ("warm up: settled coolant temperature", 1.0),
    ],
)
def test_the_prior_is_what_untouched_cars_did(number, sd):
    """Published: one car over 123 open drives (carOBD; IEEE document 8891367), as measured."""
    known = prior(number)
    spread = known.single * (known.degrees / (known.degrees - 2.0)) ** 0.5
    assert spread == pytest.approx(sd, rel=0.15)
    assert known.known


def test_a_number_that_nothing_is_known_of_is_a_guess():
    found = prior("coolant pressure: by hand")
    assert not found.known
    assert found.family == "coolant pressure: by hand"
    assert prior("fuel trim: bank 1, load").family == prior("TOTAL_TRIM2").family


def test_every_check_has_a_row_or_says_nothing_of_the_car():
    """Checks that judge the recording, states or counts have no number from drive to drive."""
    without = {"recording", "sensors", "readiness", "own", "fuel_used"}
    for module in all_checks():
        name = module.KEY.replace("_", " ")
        rows = prior(f"{name}: no such subject").known or any(
            prior(f"{name}: {subject}").known
            for subject in (
                "warm idle",
                "full throttle",
                "charging",
                "agreement before the start",
                "idle speed",
                "idle vacuum",
                "gears",
                "settled coolant temperature",
            )
        )
        assert rows or module.KEY in without, module.KEY


# --- learning ---


def test_learning_is_the_conjugate_posterior():
    known = Scatter(2.0, degrees=8.0)
    offsets = np.array([1.0, -2.0, 0.5, 0.5])
    learned = known.sharpened(offsets, np.full(4, 4.0))
    seen = (TAILS - 2.0) / TAILS * float(np.sum(offsets**2)) * 4 / 4
    # scaled inverse chi-square of 8 degrees and 2 squared, three more degrees: as inverse gamma
    posterior = stats.invgamma((8 + 3) / 2, scale=(8 * 4.0 + seen) / 2)
    mean_of_precision = 1.0 / posterior.args[0] * (8 * 4.0 + seen) / 2
    assert learned.drive**2 == pytest.approx(mean_of_precision)
    assert learned.degrees == TAILS
    assert learned.drives == 4


@pytest.mark.parametrize("truth", [0.5, 1.0, 2.0])
def test_a_cars_own_drives_decide_in_the_end(truth):
    rng = np.random.default_rng(5)
    values = 3.0 + truth * 2.0 * rng.standard_normal(200)
    learned = spread_of_drives(Scatter(2.0), values, np.full(200, np.nan))
    spread = learned.drive * (learned.degrees / (learned.degrees - 2.0)) ** 0.5
    assert spread == pytest.approx(2.0 * truth, rel=0.15)
    few = spread_of_drives(Scatter(2.0), values[:3], np.full(3, np.nan))
    assert abs(few.drive - 2.0) < abs(learned.drive - 2.0) + 0.5


def test_one_odd_day_does_not_make_an_odd_car():
    rng = np.random.default_rng(6)
    values = rng.standard_normal(20)
    odd = spread_of_drives(Scatter(1.0), np.append(values, 40.0), np.full(21, np.nan))
    assert odd.drive < 1.5 * spread_of_drives(Scatter(1.0), values, np.full(20, np.nan)).drive


def test_what_is_within_drives_is_not_taken_for_what_is_between():
    rng = np.random.default_rng(7)
    values = 2.0 * rng.standard_normal(300)  # all of it the error within
    learned = spread_of_drives(Scatter(1.0), values, np.full(300, 1.96 * 2.0))
    assert learned.drive < 1.1


def test_drives_are_told_from_cells():
    """40 drives in three of six cells each: offsets of 1, cells with levels of their own."""
    rng = np.random.default_rng(8)
    drive, cell = (
        np.repeat(np.arange(40), 3),
        np.concatenate([rng.choice(6, 3, replace=False) for _ in range(40)]),
    )
    mean = 10.0 * cell + rng.standard_normal(40)[drive] + 0.2 * rng.standard_normal(120)
    means = CellMeans(drive, cell, mean, np.full(120, 0.01))
    learned = means.sharpen(Scatter(1.5, 0.3))
    spread = learned.drive * (learned.degrees / (learned.degrees - 2.0)) ** 0.5
    assert spread == pytest.approx(1.0, rel=0.35)
    assert learned.drives == 40


# --- intervals ---


@pytest.mark.parametrize("drives", [1, 3])
def test_intervals_hold_the_truth_over_cars_that_differ(drives):
    """Cars' own spreads are drawn from what is said to be known of them."""
    rng = np.random.default_rng(9)
    known, held, n = prior("fuel trim: bank 1, warm idle"), 0, 600
    for _ in range(n):
        sd = known.drive * np.sqrt(known.degrees / rng.chisquare(known.degrees))
        sides = [[trim(float(x)) for x in 1.0 + sd * rng.standard_normal(drives)] for _ in "ab"]
        (found,) = compare_findings(*([[f] for f in side] for side in sides), OF_CARS)
        assert found.change is not None
        held += abs(found.change.value) <= found.change.half_width
    assert 0.93 <= held / n <= 0.985


def test_more_drives_narrow_the_interval_as_they_should():
    def half(n: int) -> float:
        sides = [[[trim(x)] for x in np.linspace(-1.0, 1.0, n) + level] for level in (0.0, 3.0)]
        (found,) = compare_findings(*sides, OF_CARS)
        assert found.change is not None
        assert found.drives == (n, n)
        return found.change.half_width

    one, two, four = half(1), half(2), half(4)
    assert two < 0.8 * one
    assert four < 0.8 * two


def test_a_mean_of_drives_weighs_them_by_what_they_know():
    scatter = Scatter(1.0)
    found = mean_of_drives(scatter, np.array([0.0, 4.0]), np.array([0.0, 19.6]))
    assert found.mean == pytest.approx(4.0 / 102.0, rel=1e-3)  # weights 1 and 1/101
    assert found.squares == pytest.approx((101.0**2 + 1.0) / 102.0**2, rel=1e-3)


def test_the_detectable_size_is_found_four_times_in_five():
    rng = np.random.default_rng(10)
    scatter, n = Scatter(2.0, degrees=TAILS), 4000
    size = scatter.detectable(2, 2)
    difference = size + np.diff(rng.standard_t(TAILS, (2, 2, n)).mean(axis=1) * 2.0, axis=0)[0]
    limit = stats.t.ppf(0.975, TAILS) * scatter.error(1.0).se
    assert np.mean(np.abs(difference) > limit) == pytest.approx(0.8, abs=0.04)


def test_the_contrast_is_that_of_generalized_least_squares():
    rng = np.random.default_rng(11)
    side = np.array([0, 0, 0, 0, 1, 1, 1])
    drive, cell = np.array([0, 0, 1, 1, 2, 2, 2]), np.array([0, 1, 0, 2, 0, 1, 2])
    mean, evidence = rng.standard_normal(7), rng.uniform(1.0, 9.0, 7)
    units, scatter = Units(side, drive, cell, mean, evidence, 0.5), Scatter(1.5, 0.7)
    sigma = 1.5**2 * (drive[:, None] == drive) + np.diag(0.7**2 + units.variance)
    design = np.column_stack([(cell == k).astype(float) for k in range(3)] + [side])
    fitted = sm.GLS(mean, design, sigma=sigma).fit()
    weights = units.contrast(scatter)
    assert weights @ mean == pytest.approx(fitted.params[-1])
    assert weights @ sigma @ weights == pytest.approx(fitted.normalized_cov_params[-1, -1])
    for k in range(3):
        assert weights[cell == k].sum() == pytest.approx(0.0, abs=1e-9)


# --- claims ---


def test_families_hold_the_chance_of_any_claim():
    rng = np.random.default_rng(12)
    families = ["fuel"] * 3 + ["air"] * 4 + ["electrical", "ignition"]
    wrong = 0
    for _ in range(3000):
        common = rng.standard_normal(9)
        z = np.array(
            [common[["fuel", "air"].index(f)] if f in ("fuel", "air") else 0.0 for f in families]
        )
        z = 0.9 * z + np.sqrt(1 - 0.81 * (z != 0)) * rng.standard_normal(9)
        wrong += any(shown((2 * stats.norm.sf(np.abs(z))).tolist(), families, {"fuel": 0.8}))
    assert wrong / 3000 <= FALSE_SHARE + 0.012


def test_three_of_one_family_are_one_piece_of_evidence():
    """A p value of 0.02 among three alike is a claim, among three families it is none."""
    alike = [0.02, 0.02, 0.02]
    assert shown(alike, ["fuel"] * 3) == [True] * 3
    assert shown([0.02, 0.9, 0.9], ["fuel", "air", "ignition"]) == [False] * 3
    assert shown([0.02, float("nan"), 0.9], ["fuel", "fuel", "air"]) == [True, False, False]
    assert shown([], []) == []


# --- of this drive, of this car ---


def as_of_car(finding: Finding, repeats: Repeats = OF_CARS) -> Finding:
    (found,) = of_car([finding], repeats)
    return found


def test_act_is_of_the_car_not_of_the_day():
    today = as_of_car(trim(17.0))
    assert trim(17.0).verdict is Verdict.ACT
    assert today.verdict is Verdict.WATCH
    assert today.cap is not None
    assert "the next drive of an untouched car" in today.reason
    assert today.uncertainty == 0.8
    assert today.of_car == pytest.approx(4.7, abs=0.5)
    assert as_of_car(trim(24.0)).verdict is Verdict.ACT
    steady = Repeats({"fuel trim: bank 1, warm idle": Scatter(0.3, degrees=TAILS)})
    assert as_of_car(trim(17.0), steady).verdict is Verdict.ACT
    watched = as_of_car(trim(11.0))
    assert watched.verdict is Verdict.WATCH
    assert "of the car, ±4." in watched.reason
    assert as_of_car(trim(3.0)).reason == trim(3.0).reason


def test_words_say_no_more_than_the_numbers():
    pattern = Finding("fuel_trim", "pattern", Verdict.ACT, "Fuel is added in every cell.")
    lowered = of_car([trim(17.0), pattern], OF_CARS)
    assert [f.verdict for f in lowered] == [Verdict.WATCH, Verdict.WATCH]
    assert [f.verdict for f in of_car([trim(24.0), pattern], OF_CARS)] == [Verdict.ACT, Verdict.ACT]
    assert of_car([trim(3.0), pattern], OF_CARS)[1].verdict is Verdict.ACT  # not of its making


def test_an_engine_that_was_too_hot_once_was_too_hot():
    hot = replace(trim(16.0), check="warm_up", subject="highest coolant temperature")
    assert prior(hot.heading).of_drive
    assert as_of_car(hot).verdict is Verdict.ACT
