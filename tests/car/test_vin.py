"""VIN check: 49 CFR 565 and ISO 3779."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.car.identity import check_digit, check_vin

LEGAL = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"


@pytest.mark.parametrize(
    "vin",
    [
        "1G4AH59H45G118341",  # the worked example of 49 CFR 565.15: sum 411, digit 4
        "1M8GDM9AXKP042788",  # a published example whose digit is X
        "11111111111111111",  # value 1 throughout: the weights sum to 89, 89 mod 11 = 1
        "ZZ9TEST170X000001",  # invented, worked out by hand
        "ZZ9TEST280X000002",
        "ZZ9TEST390X000003",
    ],
)
def test_known_numbers(vin):
    check = check_vin(f" {vin.lower()}\n")
    assert check.vin == vin
    assert check.ok
    assert check_digit(check.vin) == vin[8]
    assert (check.problem, check.notice) == ("", "")


def test_a_wrong_digit_is_a_notice_only():
    check = check_vin("1G4AH59H55G118341")
    assert check.ok
    assert "would be 4" in check.notice


@pytest.mark.parametrize("letter", "IOQ*Ä ")
def test_letters_that_a_vin_has_not(letter):
    check = check_vin(f"ZZ9TEST1{letter}0X000001")
    assert not check.ok
    assert repr(letter) in check.problem


@pytest.mark.parametrize("vin", ["", "ZZ9TEST170X00001", "ZZ9TEST170X0000011"])
def test_lengths_that_a_vin_has_not(vin):
    check = check_vin(vin)
    assert f"has {len(vin)}" in check.problem
    assert not check.ok


def test_padding_of_a_reply_is_no_part_of_it():
    assert check_vin("\0\0\0ZZ9TEST170X000001").ok


@given(st.text(LEGAL, min_size=17, max_size=17))
def test_exactly_one_digit_matches(vin):
    matching = [char for char in "0123456789X" if not check_vin(vin[:8] + char + vin[9:]).notice]
    assert matching == [check_digit(vin)]


DIGITS = "0123456789"


@given(st.text(DIGITS, min_size=17, max_size=17), st.integers(0, 16), st.sampled_from(DIGITS))
def test_a_single_wrong_digit_is_always_noticed(vin, place, digit):
    # Each weight is coprime to 11 and digits differ by less than 11, so any single digit counts.
    right = vin[:8] + check_digit(vin) + vin[9:]
    wrong = right[:place] + digit + right[place + 1 :]
    assert (not check_vin(wrong).notice) == (wrong == right)


@given(st.text(max_size=20))
def test_anything_is_described(text):
    check = check_vin(text)
    assert check.ok != bool(check.problem)
