"""Bands: the built-in file, the user's own, and what a number means against one."""

from __future__ import annotations

import tomllib
from importlib import resources

import pytest

from logbench.analysis.bands import (
    basis_in_words,
    judge,
    load_bands,
    load_limits,
    own_limits_path,
)
from logbench.analysis.findings import range_of
from logbench.analysis.model import Band, Verdict
from logbench.errors import BandsError

TAGS = ("[Pub: ", "[Weak", "[Mem: ", "[CP", "[Calc")
BAND = Band("x", "X", "%", (-10.0, 10.0), (-15.0, 15.0), "[CP]")
OPEN = Band("y", "Y", "V", (10.0, None), (9.6, None), "[CP]")


def test_every_band_carries_the_tag_of_its_basis():
    file = resources.files("logbench.analysis").joinpath("bands.toml")
    rows = tomllib.loads(file.read_text("utf-8"))
    assert len(rows) >= 12
    for key, row in rows.items():
        assert any(tag in row["basis"] for tag in TAGS), key
        assert row["title"][0].isupper()


def test_tags_are_spelled_out_for_people():
    assert all("[" not in band.basis for band in load_bands())
    assert basis_in_words("[CP] 10 to 15 watch; [Pub: 13 CCR 1968.2] faulty") == (
        "rule of thumb of the trade: 10 to 15 watch; published: 13 CCR 1968.2: faulty"
    )
    assert basis_in_words("[Mem: J1979] scaling; outer ends [CP]") == (
        "after J1979, not compared with its text: scaling; outer ends (rule of thumb of the trade)"
    )
    assert basis_in_words("the maker's manual, page 7") == "the maker's manual, page 7"


@pytest.mark.parametrize(
    ("value", "half", "verdict"),
    [
        (0.0, None, Verdict.WITHIN),
        (10.0, 1.0, Verdict.WITHIN),
        (9.0, 7.0, Verdict.NOT_JUDGED),  # may be beyond 15: not sure enough to clear it
        (12.0, 0.5, Verdict.WATCH),
        (-12.0, 1.5, Verdict.WATCH),
        (-12.0, 9.0, Verdict.NOT_JUDGED),  # anything from fine to bad
        (40.0, 60.0, Verdict.NOT_JUDGED),
        (16.0, 2.0, Verdict.WATCH),  # the interval reaches back into watch
        (16.0, 0.5, Verdict.ACT),
        (-30.0, 3.0, Verdict.ACT),
        (float("nan"), 1.0, Verdict.NOT_JUDGED),
        (16.0, float("nan"), Verdict.ACT),
    ],
)
def test_judge(value, half, verdict):
    assert judge(BAND, value, half) is verdict


def test_open_ends():
    assert judge(OPEN, 1000.0) is Verdict.WITHIN
    assert judge(OPEN, 9.7) is Verdict.WATCH
    assert judge(OPEN, 9.0) is Verdict.ACT
    band = load_bands()["fuel_trim_total"]
    assert range_of(band, (80.0, None)) == "at least 80 %"
    assert range_of(band, (None, 2.0)) == "at most 2 %"
    assert range_of(band, (None, None)) == "any"


def test_the_users_file_overrides_by_key(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text('[fuel_trim_total]\nwithin = [-6, 6]\nwatch = [-12, inf]\nbasis = "maker"\n')
    bands = load_bands(own)
    assert bands["fuel_trim_total"].within == (-6.0, 6.0)
    assert bands["fuel_trim_total"].watch == (-12.0, None)
    assert bands["fuel_trim_total"].basis == "maker"
    assert bands["fuel_trim_total"].unit == "%"
    assert bands["idle_airflow"] == load_bands()["idle_airflow"]


def test_a_changed_range_without_basis_says_whose_it_is(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text("[fuel_trim_total]\nwithin = [-6, 6]\n")
    assert "own.toml" in load_bands(own)["fuel_trim_total"].basis


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[fuel_trim_totl]\nwithin = [1, 2]\n", "did you mean fuel_trim_total"),
        ("[fuel_trim_total]\nwithin = [6, -6]\n", "low <= high"),
        ("[fuel_trim_total]\nwithin = [-20, 20]\n", "watch must contain within"),
        ("[fuel_trim_total]\nwithin = [nan, 20]\n", "low <= high"),
        ("[fuel_trim_total]\nwithin = 5\n", "fuel_trim_total.within"),
        ("[fuel_trim_total]\nlimit = 5\n", "fuel_trim_total.limit"),
        ('[fuel_trim_total]\nunit = "%"\nbasis = ""\n', "fuel_trim_total.basis"),
        ("fuel_trim_total = 3\n", "must be a table"),
        ("[fuel_trim_total\n", "not valid TOML"),
    ],
)
def test_a_bad_file_is_one_clear_sentence(tmp_path, text, named):
    own = tmp_path / "own.toml"
    own.write_text(text)
    with pytest.raises(BandsError) as caught:
        load_bands(own)
    assert named in str(caught.value)
    assert "own.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_or_binary_file(tmp_path):
    with pytest.raises(BandsError, match="does not exist"):
        load_bands(tmp_path / "none.toml")
    own = tmp_path / "own.toml"
    own.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BandsError, match="UTF-8"):
        load_bands(own)
    with pytest.raises(BandsError, match="cannot be read"):
        load_bands(tmp_path)


@pytest.fixture
def usual(tmp_path, monkeypatch):
    """The usual place of the user's own limits, empty as yet."""
    place = tmp_path / "config" / "own_limits.toml"
    place.parent.mkdir()
    monkeypatch.setattr("logbench.analysis.bands.own_limits_path", lambda: place)
    return place


def test_the_usual_file_is_taken_where_it_is(usual):
    assert load_limits().file is None
    assert load_limits().bands == load_bands()
    usual.write_text("[fuel_trim_total]\nwithin = [-6, 6]\n")
    found = load_limits()
    assert (found.file, found.problem) == (usual, "")
    assert found.bands["fuel_trim_total"].within == (-6.0, 6.0)


def test_a_named_file_goes_before_the_usual_one(usual, tmp_path):
    usual.write_text("[fuel_trim_total]\nwithin = [-6, 6]\n")
    named = tmp_path / "named.toml"
    named.write_text("[fuel_trim_total]\nwithin = [-7, 7]\n")
    assert load_limits(named).bands["fuel_trim_total"].within == (-7.0, 7.0)


def test_a_usual_file_that_is_wrong_is_said_and_not_used(usual, tmp_path):
    usual.write_text("[fuel_trim_totl]\nwithin = [-6, 6]\n")
    found = load_limits()
    assert found.bands == load_bands()
    assert "did you mean fuel_trim_total" in found.problem
    assert found.problem.endswith("used instead.")
    with pytest.raises(BandsError):  # who names a file wants it
        load_limits(usual)


def test_the_usual_place_is_in_the_users_configuration():
    assert own_limits_path().name == "own_limits.toml"
    assert "logbench" in own_limits_path().parts
