"""Trouble codes: layout and texts."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import LogbenchError, UsageError
from logbench.signals.codes import code_from_bytes, is_manufacturer_code, text_of


# ISO 15031-5 / SAE J1979 give P0143 as their example of the coding (from memory); the others
# follow the bit layout of SAE J2012.
@pytest.mark.parametrize(
    ("a", "b", "code"),
    [
        (0x01, 0x43, "P0143"),
        (0x01, 0x71, "P0171"),
        (0x21, 0x77, "P2177"),
        (0x41, 0x23, "C0123"),
        (0x92, 0x34, "B1234"),
        (0xC1, 0x00, "U0100"),
        (0x0A, 0x9B, "P0A9B"),
        (0xFF, 0xFF, "U3FFF"),
    ],
)
def test_layout(a, b, code):
    assert code_from_bytes(a, b) == code


# Words of the code's title in SAE J2012 (from memory).
@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0171", ("lean", "bank 1")),
        ("P0174", ("lean", "bank 2")),
        ("P0128", ("thermostat",)),
        ("P0300", ("misfire",)),
        ("p0420 ", ("catalyst", "bank 1")),
        ("U0100", ("lost communication",)),
    ],
)
def test_texts_of_standard_codes(code, words):
    assert all(word in text_of(code).lower() for word in words)


@pytest.mark.parametrize("code", ["P1234", "P3000", "P33FF", "B1000", "B2ABC", "C1000", "U2000"])
def test_codes_of_the_maker(code):
    assert is_manufacturer_code(code)
    assert "manufacturer-specific" in text_of(code)


@pytest.mark.parametrize("code", ["P0FFF", "P2FFF", "P34FF", "B0000", "C0FFF", "U0FFF", "U3FFF"])
def test_standard_codes_without_a_text(code):
    assert not is_manufacturer_code(code)
    assert "SAE J2012" in text_of(code)


@pytest.mark.parametrize("code", ["", "0171", "P171", "P4171", "X0171", "P01G1", "P01711"])
def test_what_is_no_code_is_refused(code):
    with pytest.raises(UsageError, match="not a trouble code"):
        text_of(code)


@given(st.integers(0, 255), st.integers(0, 255))
def test_every_code_has_one_line(a, b):
    text = text_of(code_from_bytes(a, b))
    assert text
    assert "\n" not in text


@given(st.text(max_size=8))
def test_nothing_but_our_errors(text):
    with contextlib.suppress(LogbenchError):
        assert text_of(text)


def test_bank_and_sensor_are_put_back():
    # python-OBD has one text for P0171 and P0174. In SAE J2012 (from memory) the codes of bank 2
    # mirror those of bank 1; a sensor's six codes are a run: P0130 to P0135 is bank 1 sensor 1.
    for first, second in [("P0171", "P0174"), ("P2187", "P2189"), ("P0421", "P0431")]:
        assert text_of(first).replace("bank 1", "bank 2") == text_of(second) != text_of(first)
    runs = {"11": 0x130, "12": 0x136, "13": 0x142, "21": 0x150, "22": 0x156, "23": 0x162}
    for (bank, sensor), start in runs.items():
        for step in range(6):
            code = f"P0{int(f'{start:X}') + step:03d}"
            assert text_of(code).endswith(f"bank {bank} sensor {sensor}"), code
    assert text_of("P0133") == "O2 Sensor Circuit Slow Response, bank 1 sensor 1"
    assert text_of("U0074").startswith("standard network code without a text")
