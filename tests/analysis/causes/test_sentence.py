"""What is said of causes never exceeds the numbers."""

import pytest

from logbench.analysis.causes.hand_tests import FOUND_NOTHING, Done, after_tests
from logbench.analysis.causes.observations import observe
from logbench.analysis.causes.sentence import headline, owners_paragraph, ruled_out
from logbench.analysis.model import Band, Finding, Verdict
from tests.analysis.causes.handmade import LEAN, explained


@pytest.mark.parametrize(
    ("causes", "begins"),
    [
        (explained(maf_low=0.85, weak_fuel=0.15), "Most likely: air-flow sensor reading low"),
        (explained(maf_low=0.65, weak_fuel=0.35), "Points to: air-flow sensor reading low"),
        (LEAN, "Cannot be told apart: unmetered air"),
        (explained(maf_low=0.4, not_listed=0.35, weak_fuel=0.25), "No cause stands out"),
        (explained(maf_low=0.5, weak_fuel=0.05, slip=0.05, fan=0.4), "Cannot be told apart"),
        (explained(maf_low=0.55, nothing_wrong=0.45), "No cause stands out"),
        (explained(maf_low=0.3, weak_fuel=0.2, slip=0.2, fan=0.3), "Cannot be told apart"),
        (explained(maf_low=0.25, weak_fuel=0.25, slip=0.25, fan=0.25), "No cause stands out"),
        (explained(not_listed=0.7, maf_low=0.3), "Nothing listed explains this (70 %)"),
        (explained(nothing_wrong=0.9, maf_low=0.1), "Most likely nothing wrong"),
        (explained(slip=0.996, maf_low=0.004), "Most likely: clutch or converter slipping, or a"),
    ],
)
def test_below_a_probability_no_name_is_put_first(causes, begins):
    assert headline(causes).startswith(begins)
    assert "nothing_wrong" not in headline(causes)
    assert "100 %" not in headline(causes)


def test_the_owner_is_told_how_sure_it_is_and_what_was_tested():
    done = [Done("smoke_test", "leak"), Done("of_next_year", "bad")]
    text = owners_paragraph(after_tests(LEAN, done), done)
    assert text.startswith("What was found most likely is: ")
    assert "Tested by hand so far: Smoke test of the intake." in text
    for unsure in (explained(not_listed=1.0), explained(maf_low=0.5, nothing_wrong=0.5)):
        assert "does not yet tell" in owners_paragraph(unsure)
    assert "One of two" in owners_paragraph(LEAN)


def test_what_a_test_ruled_out_is_named_and_what_moved_nothing_is_not():
    none = Done("smoke_test", FOUND_NOTHING)
    assert ruled_out(LEAN, after_tests(LEAN, [none]), none).startswith(
        "points to air-flow sensor reading low; all but rules out unmetered air"
    )
    unclear = Done("smoke_test", "not_clear")
    assert ruled_out(LEAN, after_tests(LEAN, [unclear]), unclear) == ""


def test_an_observation_says_what_it_is_of():
    band = Band("b", "Trim", "%", (-10.0, 10.0), (-20.0, 20.0), "")
    finding = Finding(
        "fuel_trim", "bank 1, warm idle", Verdict.ACT, "Trim +21 %.", 21.0, 0.5, "%", band
    )
    seen = observe([finding])
    words = {one.observation.words for one in (*seen.numbers, *seen.answers)}
    assert words == {"fuel trim: bank 1, warm idle: Trim +21 %."}
