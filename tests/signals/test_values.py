"""What a value shown is worth: only what is live or at the cursor looks like it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.values import Clock, Shown, Validity, age_text


def trace_at(times_s: list[float], values: list[float] | None = None) -> StripTrace:
    t_ns = np.round(np.array(times_s) * SECOND).astype(np.int64)
    value = np.array(values if values is not None else [812.0] * len(times_s), float)
    return StripTrace("RPM", "7E8", "rpm", Pyramid.of(t_ns, value))


HOLE = [*np.arange(0, 10, 0.1), *np.arange(40, 50, 0.1)]
"""Ten times a second, but for half a minute."""


@pytest.mark.parametrize(
    ("at_s", "text", "validity"),
    [
        (-1, "–", Validity.MISSING),
        (5.04, "812 rpm", Validity.CURSOR),
        (9.95, "812 rpm", Validity.CURSOR),
        (10.5, "gap", Validity.GAP),
        (39, "gap", Validity.GAP),
        (40, "812 rpm", Validity.CURSOR),
        (50, "812 rpm", Validity.CURSOR),
        (60, "○ 812 rpm, 10 s ago", Validity.HELD),
    ],
)
def test_at_a_cursor(at_s: float, text: str, validity: Validity):
    trace = trace_at(HOLE)
    assert trace.shown(round(at_s * SECOND)).validity is validity
    assert trace.shown_text(round(at_s * SECOND)) == text


@pytest.mark.parametrize(
    ("now_s", "comes", "text"),
    [
        (49.9, True, "812 rpm"),
        (52.0, True, "812 rpm"),
        (55.9, True, "○ 812 rpm, 6.0 s ago"),
        (49.9, False, "○ 812 rpm, 0.0 s ago"),
        (349.9, False, "○ 812 rpm, 5 min ago"),
    ],
)
def test_now(now_s: float, comes: bool, text: str):
    assert trace_at(HOLE).shown_text(Clock(round(now_s * SECOND), comes)) == text


def test_a_slow_signal_is_live_between_its_samples():
    trace = trace_at([0, 5, 10, 15, 20, 25, 30])
    assert trace.shown(Clock(38 * SECOND)).validity is Validity.LIVE
    assert trace.shown(Clock(46 * SECOND)).validity is Validity.HELD
    assert trace.shown(13 * SECOND).validity is Validity.CURSOR


def test_what_the_car_does_not_report_is_missing():
    trace = trace_at([0, 1, 2], [800, 801, math.nan])
    assert trace.shown_text(Clock(2 * SECOND)) == "–"
    assert trace_at([]).shown_text(Clock(2 * SECOND)) == "–"


@given(
    st.lists(st.floats(0.0, 900.0), min_size=1, max_size=40, unique=True).map(sorted),
    st.floats(-5.0, 1000.0),
    st.booleans(),
    st.booleans(),
)
def test_no_old_number_looks_valid(times_s, at_s, live, comes):
    trace = trace_at(times_s, [100.0 + k for k in range(len(times_s))])
    at_ns = round(at_s * SECOND)
    end_ns = trace.pyramid.end_ns
    at = Clock(max(at_ns, end_ns), comes) if live else at_ns
    shown = trace.shown(at)
    text = shown.text("{:.0f}".format)
    age_ns = (at.now_ns if isinstance(at, Clock) else at) - end_ns
    usual_ns = max(3 * SECOND, 3 * trace.pyramid.interval_ns)
    if shown.valid:
        assert text == f"{shown.value:.0f}"
        assert not live or comes
        assert age_ns <= usual_ns
    else:
        assert not text[:1].isdigit(), "it says so before the number"
        assert text[0] in "○–g"
    if math.isnan(shown.value):
        assert not any(letter.isdigit() for letter in text)
    else:  # it is the last one there was
        before = [
            k for k, t in enumerate(times_s) if round(t * SECOND) <= (end_ns if live else at_ns)
        ]
        assert shown.value == 100.0 + before[-1]


def test_every_validity_has_a_text_of_its_own():
    texts = {Shown(812.0, validity, 12.0).text("{:.0f}".format) for validity in Validity}
    assert texts == {"812", "○ 812, 12 s ago", "gap", "–"}
    assert [age_text(s) for s in (0.04, 9.9, 12, 119, 300, 7300)] == [
        "0.0 s", "9.9 s", "12 s", "119 s", "5 min", "2 h",
    ]  # fmt: skip
