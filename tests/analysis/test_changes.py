"""Change points among the numbers of drives, on made-up drives of a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.changes import LEAST_DRIVES, find_changes, life_of
from logbench.analysis.repeats import Scatter

KNOWN = Scatter(1.0, degrees=8.0)
GUESSED = Scatter(1.0, degrees=3.0, known=False)


def drives(rng: np.random.Generator, n: int, tails: float, scatter: Scatter) -> np.ndarray:
    """Of one unchanged car: cars differ, and single days are odd."""
    days = rng.standard_t(tails, n) * np.sqrt((tails - 2.0) / tails)
    size = 17.0
    if scatter.known:
        size = scatter.drive * np.sqrt(scatter.degrees / rng.chisquare(scatter.degrees))
    return 5.0 + size * days


def unknown(n: int) -> np.ndarray:
    return np.full(n, np.nan)


@pytest.mark.parametrize("scatter", [KNOWN, GUESSED])
@pytest.mark.parametrize("tails", [3.5, 5.0, 300.0])
@pytest.mark.parametrize("n", [6, 12, 40, 200])
def test_a_car_that_nobody_touched_shows_a_change_in_at_most_one_trend_of_twenty(n, tails, scatter):
    rng = np.random.default_rng([n, int(tails)])
    trends = 400
    false = sum(
        bool(find_changes(scatter, drives(rng, n, tails, scatter), unknown(n)))
        for _ in range(trends)
    )
    assert false / trends <= 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / trends)  # 99 % of samples of 5 %


@pytest.mark.parametrize(
    ("before", "after", "size", "power"),
    [(3, 3, 4.0, 0.93), (5, 3, 3.0, 0.85), (10, 10, 2.0, 0.85), (20, 20, 2.0, 0.95)],
)
def test_a_change_is_found_at_its_place(before, after, size, power):
    rng = np.random.default_rng([before, after])
    found = inside = 0
    for _ in range(300):
        values = drives(rng, before + after, 5.0, KNOWN)
        values[before:] += size
        changes = find_changes(KNOWN, values, unknown(len(values)))
        found += bool(changes)
        inside += any(c.first <= before <= c.last for c in changes)
        assert all(c.first <= c.at <= c.last for c in changes)
    assert found / 300 >= power
    assert inside / found >= 0.92


def test_one_odd_day_or_two_are_no_change():
    rng = np.random.default_rng(4)
    for place in (0, 6, 11):
        values = rng.normal(0.0, 0.7, 12)
        values[place] += 40.0
        assert not find_changes(KNOWN, values, unknown(12))
    values = rng.normal(0.0, 0.7, 12)
    values[10:] += 1.5  # too few drives to be told
    assert not find_changes(KNOWN, values, unknown(12))
    assert not find_changes(KNOWN, np.array([0.0, 50.0]), unknown(2))
    assert not find_changes(KNOWN, np.array([]), unknown(0))


def test_several_changes_are_found_each_with_its_interval():
    rng = np.random.default_rng(2)
    levels = np.repeat([0.0, 6.0, -3.0], [15, 9, 12])
    changes = find_changes(KNOWN, levels + rng.normal(0.0, 0.8, 36), unknown(36))
    assert [c.at for c in changes] == [15, 24]
    assert changes[0].last < changes[1].first


def test_drives_that_tell_little_move_no_change():
    values, halves = np.zeros(16), unknown(16)
    values[8:], halves[8:] = 3.0, 20.0
    assert find_changes(KNOWN, values, unknown(16))
    assert not find_changes(KNOWN, values, halves)


def test_the_band_holds_95_of_100_further_drives():
    rng = np.random.default_rng(9)
    inside = 0
    for _ in range(2000):
        values = drives(rng, 9, 300.0, KNOWN)
        state = life_of(KNOWN, values[:8], unknown(8), ()).states[-1]
        inside += state.low <= values[8] <= state.high
    assert 0.93 <= inside / 2000 <= 0.98


def test_a_known_repair_parts_the_drives_though_too_few_follow_to_find_it():
    values = np.array([8.0, 9.0, 8.5, 9.5, 8.0, 8.5, 9.0, 8.0, 8.2, 8.8, 7.0, 7.4])
    alone = life_of(KNOWN, values, unknown(12), ())
    told = life_of(KNOWN, values, unknown(12), {10})
    assert not alone.changes
    assert [(s.begin, s.end) for s in told.states] == [(0, 10), (10, 12)]
    assert told.scatter.drive < alone.scatter.drive
    assert told.states[1].median == pytest.approx(7.2)


def test_a_change_that_may_be_the_repair_is_not_counted_twice():
    rng = np.random.default_rng(1)
    values = np.repeat([9.0, 0.0], 10) + rng.normal(0.0, 1.0, 20)
    life = life_of(KNOWN, values, unknown(20), {10})
    assert len(life.changes) == 1
    assert [s.begin for s in life.states] == [0, 10]


def test_of_a_number_that_no_other_car_tells_of_the_car_itself_does():
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 30.0, 40)
    assert life_of(GUESSED, values, unknown(40), ()).scatter.drive == pytest.approx(30.0, rel=0.3)
    few = life_of(GUESSED, values[: LEAST_DRIVES - 1], unknown(LEAST_DRIVES - 1), ())
    assert few.scatter == GUESSED
