"""The user's own checks: expressions, conditions, and what is refused."""

from __future__ import annotations

import pytest

from logbench.analysis.bands import load_bands
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.errors import BandsError
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
    (finding,) = own(tmp_path, CHECK.replace("BARO - MAP", "where(MAF > 0 g/s, MAP)"))
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
        ("BARO - MAP", "__import__('os').system('true')", "no function __import__"),
        ("BARO - MAP", "MAP.__class__", "does not fit here"),
        ("BARO - MAP", "BARO / RPM", "not in kPa"),
        ("BARO - MAP", "1 + 2", "uses no signal"),
        ("BARO - MAP", "BARO -", "ends too early"),
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
    assert named in text
