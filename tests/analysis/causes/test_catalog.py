"""The causes are whole: words for both readers, what they hang on, what they refer to."""

from __future__ import annotations

import re

import pytest

from logbench.analysis.causes.catalog import CAUSES, NAMED, SYMPTOMS
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG
from logbench.analysis.cautions import CAUTIONS
from logbench.signals.codes import text_of
from logbench.simulator.faults import FAULT_NAMES

GROUPS = {
    *("air", "fuel", "exhaust", "oxygen_sensor", "ignition", "mechanical", "cooling", "sensor"),
    *("electrical", "charge_air", "recirculation", "aftertreatment", "evaporative", "throttle"),
    *("drivetrain", "hybrid", "logging", "none"),
}


def test_there_are_sixty_hypotheses_and_the_two_that_are_none():
    assert sum(cause.prior > 0 for cause in CAUSES.values()) >= 62
    assert {NOTHING_WRONG, NOT_LISTED} <= set(CAUSES)


@pytest.mark.parametrize("key", CAUSES)
def test_a_cause_is_whole(key):
    cause = CAUSES[key]
    assert cause.repair
    assert cause.owner not in ("", cause.text)
    assert cause.group in GROUPS
    assert set(cause.safety) <= set(CAUTIONS)
    assert set(cause.symptoms) <= set(SYMPTOMS)
    assert not set(cause.needs) & set(cause.lacks)


def test_every_symptom_speaks_for_a_cause():
    used = {symptom for cause in CAUSES.values() for symptom in cause.symptoms}
    assert used == set(SYMPTOMS)


def test_every_fault_of_the_simulator_is_a_cause():
    assert set(FAULT_NAMES) <= set(CAUSES)


def test_codes_of_a_cause_are_codes_the_standard_has():
    """Every pattern fits a code with a text of its own (SAE J2012)."""
    powertrain = [f"P{n:04X}" for n in range(0x4000) if text_of(f"P{n:04X}")]
    for cause in CAUSES.values():
        if cause.codes is None:
            continue
        for pattern in cause.codes.pattern.split("|"):
            assert any(re.fullmatch(pattern, c) for c in powertrain), (cause.key, pattern)


def test_names_in_findings_have_words():
    assert all(named.text for named in NAMED.values())
    assert {named.key for named in NAMED.values()} == set(CAUSES)
