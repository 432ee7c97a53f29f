"""A sample of the campaign of damaged journals."""

from __future__ import annotations

from tests.campaigns.journal_damage import KINDS, LEAST_BACK, campaign


def test_what_is_sound_comes_back():
    tally = campaign(160, seed=15)
    assert tally.wrong == []
    assert tally.share >= LEAST_BACK
    assert tally.runs == dict.fromkeys((kind.__name__ for kind in KINDS), 20)
    assert sum(tally.sound.values()) > 20_000
