"""What is learned from drives is what was put into them, and no more."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.model import Causes, Ranked
from logbench.analysis.causes.response import POOLED
from logbench.analysis.engine import PRIORS
from tests.analysis.causes.drives import SEVERITIES, Case, Row, case_of, read_rows
from tests.analysis.causes.learn import response_of
from tests.analysis.causes.proof import Told, bands, brier

MOVED, STILL = "fuel_trim|bank 1, warm idle|%", "warm_up|rate of warm-up|K/min"


def row(seed: int, severity: float, rng: np.random.Generator, shift: float) -> Row:
    """A drive with two numbers, of which a cause moves the first."""
    values = {MOVED: rng.normal(2.0, 3.0) + shift * severity, STILL: rng.normal(10.0, 1.0)}
    findings = tuple(
        {
            **dict(zip(("check", "subject", "unit"), name.split("|"), strict=True)),
            **{"value": value, "uncertainty": 0.5, "of_car": None, "causes": ()},
            **{"verdict": "within", "lacks": "too uncertain", "within": None},
        }
        for name, value in values.items()
    )
    faults = (("weak_fuel", severity),) if severity else ()
    traits = {trait.value: p for trait, p in PRIORS.items()}
    return Row(Case(seed, faults, "gasoline"), traits, findings, (), (), {}, "")


def rows(shift: float) -> list[Row]:
    rng = np.random.default_rng(4)
    severities = [0.0] * 40 + [s for s in SEVERITIES for _ in range(10)]
    return [row(seed, severity, rng, shift) for seed, severity in enumerate(severities)]


def test_an_effect_is_learned_and_what_is_left_alone_is_left_out():
    learned = response_of(rows(24.0)).effects[POOLED]["weak_fuel"]
    mean, spread = learned[MOVED]
    assert 3.0 < mean[3] < 7.0  # eight standard deviations, pressed
    assert list(mean) == sorted(mean)
    assert (spread >= 0.0).all()
    assert STILL not in learned


def test_chance_alone_draws_no_effect():
    assert not response_of(rows(0.0)).effects[POOLED]["weak_fuel"]


def test_cases_are_drawn_from_the_seed_alone_and_hold_what_the_car_can_have():
    drawn = [case_of(seed) for seed in range(300, 340)]
    assert drawn == [case_of(seed) for seed in range(300, 340)]
    assert any(not case.faults for case in drawn)
    assert {s for case in drawn for _, s in case.faults} <= set(SEVERITIES)
    assert all(len(case_of(seed, 2, (1.0,), 0.0).faults) == 2 for seed in range(300, 310))


def test_a_last_line_cut_short_is_left_out(tmp_path):
    work = tmp_path / "drives.jsonl"
    work.write_text('{"case": {"seed": 1, "fau')
    assert read_rows(work) == {}


def test_bands_and_score_count_what_was_said():
    def told(probability: float, fault: str) -> Told:
        first = Ranked("weak_fuel", probability)
        rest = Ranked("maf_low", 1.0 - probability)
        return Told(Case(1, ((fault, 1.0),), "gasoline"), Causes((), (first, rest)))

    some = [told(0.75, "weak_fuel"), told(0.75, "maf_low"), told(1.0, "weak_fuel")]
    assert bands(some) == [(0.7, 2, 0.75, 0.5), (0.9, 1, 1.0, 1.0)]
    assert brier(some) == pytest.approx((2 * 0.25**2 + 2 * 0.75**2) / 3)
