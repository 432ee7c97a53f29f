"""A column is added in one place: a made-up one is seen wherever recordings are shown."""

from __future__ import annotations

import dataclasses

import pyarrow as pa
import pytest

from logbench.archive import columns
from logbench.archive.archive import Archive
from logbench.archive.columns import Cell, Column, cells
from logbench.archive.find import Filter
from logbench.archive.overview import Catalog
from logbench.car.model import Car
from logbench.cli.main import main
from logbench.cli.show import console
from logbench.signals.units import METRIC, Units
from tests.archive.conftest import with_car

MADE_UP = Column(
    "ambient_degc",
    pa.float64(),
    lambda known: 20.0 if known.facts.vehicle.label == "van" else None,
    (
        Cell("list", 3, "Ambient", widest="100 °C"),
        Cell("terminal", 8, "ambient", widest="100 °C"),
        Cell("details", 10, "Ambient"),
    ),
    unit="degC",
)


@pytest.fixture
def made_up(monkeypatch) -> Column:
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, MADE_UP))
    return MADE_UP


def test_an_index_kept_with_other_columns_is_made_anew(root, tmp_path, monkeypatch):
    cache = tmp_path / "cache"
    assert Archive(root, cache).refresh().fresh == 5
    assert Archive(root, cache).refresh().fresh == 0
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, MADE_UP))
    index = Archive(root, cache).refresh()
    assert index.fresh == 5
    assert sorted(index.recordings["ambient_degc"].to_pylist(), key=str) == [20, 20, 20, None, None]
    assert Archive(root, cache).refresh().fresh == 0


def test_it_is_in_sql_in_the_terminal_and_in_the_overview(
    made_up, root, tmp_path, monkeypatch, capsys
):
    archive = Archive(root, tmp_path / "cache")
    sql = "SELECT car, ambient_degc FROM recordings WHERE ambient_degc > 10"
    assert {row["car"] for row in archive.rows(sql)} == {"van"}
    monkeypatch.setenv("COLUMNS", "160")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    console.cache_clear()
    assert main(["archive", "list", str(root)]) == 0
    text = capsys.readouterr().out
    assert "ambient" in text
    assert text.count("20 °C") == 3
    assert main(["archive", "show", str(root), "van/a"]) == 0
    assert "ambient_degc    20" in capsys.readouterr().out
    console.cache_clear()
    ((row,), _) = Catalog(archive).look(Filter(text="stalls"))
    for place in ("list", "details"):
        column, cell = next(pair for pair in cells(place) if pair[0] is made_up)
        assert column.text(cell, row.facts, METRIC) == "20 °C"
        assert column.text(cell, row.facts, Units(True)) == "68 °F"


def test_words_are_looked_for_where_the_column_says_so(root, tmp_path, monkeypatch):
    archive = Archive(root, tmp_path / "cache")
    assert archive.find(Filter(words="nobody")).num_rows == 0
    driver = Column("driver", pa.string(), lambda known: "Nobody", searched=True)
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, driver))
    assert Archive(root, tmp_path / "cache").find(Filter(words="nobody van")).num_rows == 3
    unsearched = dataclasses.replace(driver, searched=False)
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS[:-1], unsearched))
    assert Archive(root, tmp_path / "cache").find(Filter(words="nobody van")).num_rows == 0


def test_every_place_has_its_columns_in_order():
    first = [column.name for column, _ in cells("list")][:3]
    assert first == ["started", "recording", "car"]
    for place in ("list", "details", "terminal"):
        orders = [cell.order for _, cell in cells(place)]
        assert orders == sorted(set(orders))


def test_a_kind_of_engine_is_a_facet_and_a_word_to_look_for(root, tmp_path):
    cars = {
        "estate": Car(label="estate", fuel="diesel", turbo=True),
        "city": Car(label="city", fuel="gasoline", hybrid=True, stop_start=True),
    }
    for name, car in cars.items():
        with_car(root / name / "a.parquet", car)
    archive = Archive(root, tmp_path / "cache")
    engines = Catalog(archive).facets.engines
    assert engines == {"diesel, charged": 1, "gasoline, hybrid, stop-start": 1}  # others: unknown
    for chosen in (Filter(engine="diesel, charged"), Filter(words="diesel charged")):
        assert archive.find(chosen)["recording"].to_pylist() == ["estate/a.parquet"]
    sql = "SELECT recording FROM recordings WHERE hybrid"
    assert [row["recording"] for row in archive.rows(sql)] == ["city/a.parquet"]
