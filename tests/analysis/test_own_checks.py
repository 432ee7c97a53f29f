"""The user's own checks: expressions, conditions, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.analysis.bands import load_bands
from logbench.analysis.expressions import evaluate, names_in
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.errors import BandsError, UsageError
from tests.analysis.scenes import Scene, warm_drive

CHECK = """
[check.vacuum]
title = "Vacuum at idle"
value = "BARO - MAP"
unit = "kPa"
condition = ["warm idle"]
within = [60, 75]
watch = [50, 80]
basis = "workshop manual"
causes = ["leak"]
next_steps = ["smoke test"]
"""


def own(tmp_path, text=CHECK, **signals):
    file = tmp_path / "own.toml"
    file.write_text(text)
    recording = Scene(warm_drive()).set(**signals).recording()
    return run_checks(recording, load_bands(file), only=["own"])


def test_a_check_of_ones_own(tmp_path):
    (finding,) = own(tmp_path)
    assert finding.verdict is Verdict.WITHIN
    assert finding.value == pytest.approx(100 - 32, abs=0.1)
    assert finding.band.key == "check.vacuum"
    assert finding.evidence
    (bad,) = own(tmp_path, BARO=75.0)
    assert bad.verdict is Verdict.ACT
    assert (bad.causes, bad.next_steps) == (("leak",), ("smoke test",))


def test_statistic_and_condition(tmp_path):
    text = CHECK.replace('["warm idle"]', '["wide-open throttle"]').replace("BARO - MAP", "MAP")
    text += 'statistic = "maximum"\nleast_seconds = 2\n'
    (finding,) = own(
        tmp_path, text.replace("[60, 75]", "[90, 99]").replace("[50, 80]", "[80, 105]")
    )
    assert finding.value == pytest.approx(98, abs=0.5)
    assert finding.verdict is Verdict.WITHIN


def test_what_is_missing_or_too_short(tmp_path):
    (finding,) = own(tmp_path, CHECK.replace("BARO - MAP", "MAF / RPM"))
    assert finding.verdict is Verdict.NOT_JUDGED
    assert "MAF was not recorded" in finding.reason
    (finding,) = own(tmp_path, CHECK.replace("warm idle", "cranking"))
    assert finding.verdict is Verdict.NOT_JUDGED


def test_without_own_checks_there_are_no_findings():
    assert run_checks(Scene(warm_drive()).recording(), only=["own"]) == []


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("BARO - MAP", "BARO - MPA", "MPA"),
        ("BARO - MAP", "__import__('os').system('true')", "arithmetic"),
        ("BARO - MAP", "MAP.__class__", "holds more than"),
        ("BARO - MAP", "1 + 2", "uses no signal"),
        ("BARO - MAP", "BARO -", "no arithmetic"),
        ("warm idle", "hot idle", "check.vacuum.condition"),
        ("[60, 75]", "[75, 60]", "low <= high"),
        ("basis =", "source =", "check.vacuum"),
        ("[check.vacuum]", "[check.Vacuum]", "check.Vacuum.key"),
    ],
)
def test_a_bad_check_is_one_clear_sentence(tmp_path, old, new, named):
    with pytest.raises(BandsError) as caught:
        own(tmp_path, CHECK.replace(old, new))
    text = str(caught.value)
    assert "own.toml" in text
    assert "\n" not in text
    assert named in text or (named == "arithmetic" and "holds more than" in text)


@pytest.mark.parametrize(
    "hostile",
    [
        "().__class__.__bases__[0]",
        "open('/etc/passwd').read()",
        "[x for x in (1,)]",
        "lambda: 1",
        "RPM if RPM else VSS",
        "'a' * 10",
        "RPM[0]",
        "max(*[RPM])",
        "abs(RPM, out=VSS)",
        "(" * 300 + "RPM" + ")" * 300,
        "RPM" + "+1" * 300,
        "exec('1')",
        "True",
        "1j * RPM",
        "f'{RPM}'",
        "(RPM := 3)",
        "RPM and VSS",
    ],
)
def test_nothing_but_arithmetic_is_evaluated(hostile):
    with pytest.raises(UsageError):
        names_in(hostile)
    with pytest.raises(UsageError):
        evaluate(hostile, {"RPM": np.ones(3), "VSS": np.ones(3)})


@given(st.text(max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_text_is_arithmetic_or_a_usage_error(text):
    try:
        names = names_in(text)
    except UsageError:
        return
    got = evaluate(text, {name: np.ones(3) for name in names})
    assert got.dtype == np.float64


def test_expressions_compute_as_python_does():
    x, y = np.array([1.0, 4.0, 9.0]), np.array([2.0, 0.0, -3.0])
    values = {"MAF": x, "RPM": y}
    assert names_in("MAF / RPM + max(MAF, 2)") == ("MAF", "RPM")
    np.testing.assert_allclose(evaluate("sqrt(MAF) + 2 * RPM - -1", values), np.sqrt(x) + 2 * y + 1)
    np.testing.assert_allclose(evaluate("MAF ** 2 - abs(RPM)", values), x**2 - np.abs(y))
    np.testing.assert_allclose(evaluate("min(MAF, RPM)", values), np.minimum(x, y))
    assert np.isnan(evaluate("MAF / RPM", values)[1])  # what cannot be divided is unknown
    with pytest.raises(UsageError):
        evaluate("sqrt(MAF, RPM, RPM, RPM)", values)
