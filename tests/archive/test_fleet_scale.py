"""Sixty drives of ten minutes: the queries of the page, and the aligned table beside the same
written by hand. 3,000 of them: tests/benchmarks/bench_fleet.py."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

import logbench
from tests.notebooks import cells, shown

ROOT = Path(__file__).parents[2]


def module(name: str):
    spec = importlib.util.spec_from_file_location(name, ROOT / f"tests/benchmarks/{name}.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[name] = made
    spec.loader.exec_module(made)
    return made


@pytest.fixture(scope="module")
def sixty(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("sixty")
    module("make_archive").make_archive(folder / "archive", 60, drives=2, cars=8)
    return folder


def test_the_queries_of_the_page_run_within_a_small_memory(sixty):
    text = (ROOT / "docs/archive.md").read_text("utf-8")
    fleet = logbench.archive(sixty / "archive", cache=sixty / "cache", memory="400MB")
    rows = [fleet.query(sql).num_rows for sql in re.findall(r"```sql\n(.*?)```", text, re.DOTALL)]
    assert len(rows) == 10
    assert rows[0] == 8
    assert rows[5] == 60


def test_the_table_has_the_values_that_one_writes_by_hand(sixty):
    bench = module("bench_fleet")
    mine = bench.ours(sixty / "archive", sixty / "cache")
    columns = ", ".join(f"{s}, {s}_age_s" for s in bench.SIGNALS)
    ours = mine.sql(f"SELECT recording, t_s, {columns} FROM aligned ORDER BY ALL").to_pandas()
    theirs = bench.by_hand(sixty / "archive").df()
    theirs["recording"] = theirs["filename"].str.removeprefix(f"{sixty}/archive/")
    theirs = theirs.sort_values(["recording", "t_s"]).reset_index(drop=True)
    assert list(ours["recording"]) == list(theirs["recording"])
    for name in ("t_s", *(f"{s}{end}" for s in bench.SIGNALS for end in ("", "_age_s"))):
        np.testing.assert_array_equal(ours[name], theirs[name])


def test_the_notebook_runs_and_says_the_same_in_sql(sixty, monkeypatch):
    """Its cells one after the other, as a notebook runs them; the last value of each is kept."""
    monkeypatch.setenv("FLEET", str(sixty / "archive"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(sixty / "home"))
    values = shown("fleet")
    drawn = plt.gcf().axes[0]
    assert len(drawn.lines) >= 60 + 3
    plt.close("all")
    fleet, _, warm_up, trims, same, kind, kind_sql, spread, spread_sql = values
    assert repr(fleet).startswith("<archive of 60 drives of 8 cars")
    assert warm_up["middle"].is_monotonic_increasing
    assert len(same) == trims.notna().sum().sum() > 3
    for row in same.to_dict("records"):
        assert trims.loc[row["load_from"], row["rpm_from"]] == pytest.approx(row["trim"], abs=0.06)
    assert kind["this_car"].notna().sum() > 3
    assert set(kind_sql["rpm_from"]) >= set(kind.index)
    assert spread["count"] == spread_sql["cars"][0]
    assert spread["50%"] == pytest.approx(spread_sql["middle"][0], rel=1e-9)


def test_each_task_of_the_notebook_takes_ten_lines_at_most():
    assert all(len(text.splitlines()) <= 10 for text in cells("fleet"))
