"""The terminal side of the archive."""

from __future__ import annotations

import io
import json

import pytest
from rich.console import Console

from logbench.cli.terminal_archive import (
    add_to_archive,
    check_archive,
    like_recording,
    list_archive,
    make_filter,
    query_archive,
    show_recording,
    sweep_archive,
    trend_of,
)
from logbench.errors import UsageError
from tests.archive.conftest import make


class Screen(Console):
    """A console whose text can be read back."""

    def __init__(self) -> None:
        super().__init__(file=io.StringIO(), width=160, highlight=False)

    @property
    def text(self) -> str:
        return self.file.getvalue()  # type: ignore[attr-defined]


def test_list_find_show_query(root, tmp_path, capsys):
    cache = tmp_path / "cache"
    screen = Screen()
    assert list_archive(str(root), screen, cache=cache) == 5
    assert "5 of 5 recordings." in screen.text
    chosen = make_filter(car="van", text="stalls", litres="1.6-2.0", signals=["rpm"])
    assert list_archive(str(root), screen, chosen, as_json=True, cache=cache) == 1
    assert json.loads(capsys.readouterr().out)[0]["recording"] == "van/b.parquet"
    show_recording(str(root), "van/b", screen, cache=cache)
    assert "Total trim" in screen.text
    assert query_archive(str(root), "SELECT car FROM recordings", screen, cache=cache) == 5
    assert query_archive(str(root), "SELECT '=1+1' AS a", screen, as_csv=True, cache=cache) == 1
    assert capsys.readouterr().out.splitlines() == ["a", "'=1+1"]
    with pytest.raises(UsageError, match="no displacement"):
        make_filter(litres="big")


def test_sweep_trend_like_add_check(root, tmp_path):
    cache, place = tmp_path / "cache", str(root)
    make(root / "coupe/a.parquet", car="coupe", trim=3.0)
    screen = Screen()
    assert sweep_archive(place, screen, chosen=make_filter(car="van"), cache=cache) == 0
    assert "3 recordings in" in screen.text
    assert "0 known before" in screen.text
    assert sweep_archive(place, screen, cache=cache) == 0
    assert "3 known before" in screen.text
    assert trend_of(place, "fuel_trim:bank 1, warm idle", "van", screen, cache=cache) == 3
    assert "1 other cars of 1.8 l" in screen.text
    assert trend_of(place, "nothing", "van", screen, cache=cache) == 0
    assert like_recording(place, "van/a", screen, cache=cache) == 0
    new = make(tmp_path / "new.parquet", trim=5.0)
    (tmp_path / "bad.parquet").write_bytes(b"no")
    assert add_to_archive(place, [new, tmp_path / "bad.parquet"], screen, cache=cache) == 3
    assert "-> van/2026-03-01-new.parquet" in screen.text.replace("\n", "")
    assert check_archive(place, screen, cache=cache) == 0
    assert "7 sound" in screen.text
    (root / "van/cut.parquet").write_bytes(new.read_bytes()[:3000])
    assert check_archive(place, screen, quarantine=True, cache=cache) == 3
    assert (root / "quarantine/van/cut.parquet").exists()
    with pytest.raises(UsageError, match="--out"):
        sweep_archive(place, screen, function="math:sqrt", cache=cache)


def test_a_finding_is_looked_for_only_where_checks_have_run(root, tmp_path):
    cache, place = tmp_path / "cache", str(root)
    screen = Screen()
    assert list_archive(place, screen, make_filter(finding="act"), cache=cache) == 0
    assert "5 recordings have not been checked" in screen.text
    assert "archive sweep" in screen.text
    screen = Screen()
    assert sweep_archive(place, screen, checks=["fuel_trim"], cache=cache) == 0
    assert list_archive(place, screen, make_filter(finding="fuel_trim"), cache=cache) == 5
    assert "not been checked" not in screen.text
    with pytest.raises(UsageError, match="one of the two"):
        sweep_archive(place, screen, checks=["fuel_trim"], function="a:b", cache=cache)
