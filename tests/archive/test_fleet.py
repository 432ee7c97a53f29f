"""An archive and its aligned table from Python, as a notebook uses them."""

from __future__ import annotations

import pydoc
import re
import subprocess
import sys
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow as pa
import pytest

import logbench
from logbench.archive.fleet import Fleet
from logbench.errors import ArchiveError, QueryError, UsageError


@pytest.fixture
def fleet(root: Path, tmp_path: Path) -> Fleet:
    made: Fleet = logbench.archive(root, cache=tmp_path / "cache")
    return made


def test_help_shows_how_files_and_archives_are_opened():
    text = pydoc.render_doc(logbench, renderer=pydoc.plaintext)
    for word in ("logbench.open(", "logbench.archive(", "logbench.conditions(", ".table("):
        assert word in text


def test_it_has_a_length_names_recordings_and_a_picture(fleet):
    assert len(fleet) == 5
    assert repr(fleet).startswith("<archive of 5 drives of 3 cars, 0.8 h")
    assert [drive.facts.vehicle.label for drive in fleet].count("van") == 3
    assert fleet.find(car="van", when="SHRTFT1 + LONGFT1 > 15") == ["van/c.parquet"]
    assert fleet.open("van/a").trace("ECT").value[0] == 90.0
    assert list(fleet.recordings["car"]).count("van") == 3
    page = fleet._repr_html_()
    assert page.count("<svg") == 5
    assert "van/c.parquet" in page


def test_what_a_file_says_is_no_html(root, tmp_path):
    from tests.archive.conftest import make

    make(root / "x.parquet", car="<script>alert(1)</script>")
    assert "<script" not in logbench.archive(root, cache=tmp_path / "c")._repr_html_()


def test_a_recording_has_a_length_its_traces_and_a_picture(root):
    drive = logbench.open(root / "van/a.parquet")
    assert len(drive) == 7
    assert [trace.signal for trace in drive] == list(drive.signals)
    assert repr(drive) == "<recording of van, 2026-01-10T10:00, 10.0 min, 7 traces>"
    assert drive._repr_html_().count("<svg") == 7


def test_conditions_are_text(fleet):
    frame = logbench.conditions(fleet.open("van/a"))
    assert "warm idle" in set(frame["condition"])
    assert (frame["end_s"] > frame["start_s"]).all()


def test_one_table_as_relation_stream_frame_and_sql(fleet):
    table = fleet.table("RPM, ECT, SHRTFT1 + LONGFT1", every=10)
    assert table.columns[:4] == ["recording", "car", "wall_utc", "t_s"]
    frame = table.df()
    assert isinstance(frame, pd.DataFrame)
    assert len(frame) == 5 * 61
    assert list(frame["t_s"][:3]) == [0.0, 10.0, 20.0]
    assert isinstance(table.relation, duckdb.DuckDBPyRelation)
    assert len(table.relation.filter("car = 'van'").df()) == 3 * 61
    assert sum(batch.num_rows for batch in table.arrow()) == len(frame)
    assert pa.table(table).num_rows == len(frame)
    cars = table.sql("SELECT car, avg(ECT) AS ect FROM aligned GROUP BY car ORDER BY car")
    assert cars.to_pydict() == {"car": ["hatch", "truck", "van"], "ect": [60.0, 90.0, 90.0]}
    assert "<table" in table._repr_html_()


def test_the_table_as_a_frame_of_polars(fleet):
    table = fleet.table("RPM, ECT", every=5, conditions=True)
    frame, same = table.pl(), table.df()
    assert frame.columns == list(same.columns)
    assert frame.height == len(same) > 10
    for name in ("recording", "t_s", "RPM", "ECT_age_s", "condition"):
        known = same[name].notna()
        assert frame[name].is_not_null().to_list() == known.to_list()
        assert frame[name].drop_nulls().to_list() == same.loc[known, name].to_list()


def test_units_drives_and_conditions(fleet):
    frame = fleet.table(
        {"coolant": "ECT"}, units="us", drives=fleet.find(car="van"), conditions="warm idle, warm"
    ).df()
    assert set(frame["coolant"]) == {194.0}
    assert set(frame["car"]) == {"van"}
    assert set(frame["condition"]) == {"warm idle"}
    assert fleet.table("ECT", where="ECT > 190", units="us", every=60).df()["car"].nunique() == 2


def test_what_looks_back_over_time_is_computed_of_each_drive(fleet, root):
    wanted = {
        "rpm": "RPM",
        "mean": "mean(RPM, 5 s)",
        "swing": "highest(RPM, 10 s) - lowest(RPM, 10 s)",
    }
    table = fleet.table(wanted, every=10, where="mean(RPM, 5 s) > 700")
    frame = table.df()
    assert set(frame["car"]) == {"van", "hatch"}  # the truck idles at 650
    one = frame[frame["recording"] == "van/a.parquet"].set_index("t_s")
    trace = logbench.open(root / "van/a.parquet").trace("RPM")
    for t_s in (50.0, 300.0, 590.0):
        at = trace.t_s <= t_s
        last = [trace.value[at & (trace.t_s > t_s - window)] for window in (5, 10)]
        assert one["mean"][t_s] == pytest.approx(last[0].mean(), rel=1e-12)
        assert one["swing"][t_s] == pytest.approx(last[1].max() - last[1].min(), rel=1e-12)
    with pytest.raises(UsageError, match="No recording of this archive holds MAF"):
        fleet.table("MAF")
    with pytest.raises(UsageError, match="holds what 'rate\\(MAF\\)' is made of"):
        fleet.table("rate(MAF)")


def test_findings_only_after_a_sweep_and_it_says_so(fleet):
    with pytest.raises(QueryError, match="sweep"):
        fleet.table("RPM", findings=True)
    fleet.sweep()
    frame = fleet.table("RPM", every=60, findings=True).df()
    assert set(frame["worst"]) <= {"act", "watch", "within", "not judged"}


def test_unknown_names_are_refused(fleet):
    with pytest.raises(UsageError, match="did you mean RPM"):
        fleet.table("RPMM")
    with pytest.raises(UsageError, match="no filter 'cars_'"):
        fleet.find(cars_="x")
    with pytest.raises(UsageError, match="are not units"):
        fleet.table("RPM", units="imperial")
    with pytest.raises(ArchiveError, match="no one recording"):
        fleet.table("RPM", drives=["nothing"])


def test_what_does_not_fit_into_memory_is_put_aside(fleet, tmp_path):
    """The folder is gone with the table."""
    table = fleet.table("RPM", every=0.5)
    assert list((tmp_path / "cache").rglob("query-*"))
    del table
    assert [path for path in (tmp_path / "cache").rglob("query-*") if path.is_dir()] == []


LIKE_A_KERNEL = """
import sys, types
class Kernel:
    config = {"IPKernelApp": {}}
sys.modules["IPython"] = types.ModuleType("IPython")
sys.modules["IPython"].get_ipython = Kernel
sys.modules["ipywidgets"] = None
import duckdb
try:
    duckdb.connect(":memory:").execute("SET enable_progress_bar = false")
except duckdb.InvalidInputException:
    print("refused")
import logbench
print(len(logbench.archive(sys.argv[1])))
"""


def test_a_notebook_without_widgets_opens_an_archive(root):
    """DuckDB lets nobody speak of its progress bar there, which ended every archive (seen in a
    kernel); `refused` shows that the process is taken for a kernel."""
    done = subprocess.run(
        [sys.executable, "-c", LIKE_A_KERNEL, str(root)], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["refused", "5"]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"signals": []}, "No signal is named"),
        ({"signals": " , "}, "No signal is named"),
        ({"signals": None}, "None are no signals: give names"),
        ({"signals": [1]}, "are no signals"),
        ({"signals": "RPM", "every": "1s"}, "every='1s' is no number of seconds"),
        ({"signals": "RPM", "every": -1}, "every: -1 s is not from"),
        ({"signals": "RPM", "max_age": -1}, "max_age: -1 s is not from"),
        ({"signals": "RPM", "drives": 5}, "5 are no drives"),
    ],
    ids=str,
)
def test_what_cannot_be_asked_is_told(root, tmp_path, asked, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        logbench.archive(root, cache=tmp_path / "cache").table(**asked)


def test_an_empty_archive_says_so(tmp_path):
    (tmp_path / "none").mkdir()
    with pytest.raises(UsageError, match="No recording is in this archive"):
        logbench.archive(tmp_path / "none", cache=tmp_path / "cache").table("RPM")


def test_commas_within_an_expression_divide_nothing(root, tmp_path):
    fleet = logbench.archive(root, cache=tmp_path / "cache")
    frame = fleet.table("RPM, mean(RPM, 5 s), ECT,", every=10, drives="van/a").df()
    assert {"RPM", "mean(RPM, 5 s)", "ECT"} < {*frame.columns}
    assert {*frame["recording"]} == {"van/a.parquet"}
