"""The table of all drives, against the same made of traces with numpy, and what it refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logbench.analysis.alignment import previous
from logbench.analysis.expression.checked import condition, number
from logbench.analysis.grid import with_computed
from logbench.analysis.view import View
from logbench.archive.aligned import Aligned, sql_of_aligned
from logbench.archive.archive import Archive
from logbench.archive.findings import checks_version, state_entry
from logbench.archive.query import Sql, samples_of
from logbench.errors import UsageError
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace, signal_facts
from logbench.recording.reader import open_recording
from tests.archive.conftest import make

NS = 1_000_000_000


def trace(signal: str, t_s: np.ndarray, value: np.ndarray, ecu: str = "7E8") -> Trace:
    units = {"RPM": "rpm", "ECT": "degC", "SHRTFT1": "%", "LONGFT1": "%", "MAF": "g/s"}
    return Trace(signal, ecu, units[signal], np.round(t_s * NS).astype(np.int64), value)


def write(path: Path, *traces: Trace) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    facts = Facts(
        started_utc="2026-03-01T10:00:00+01:00", signals=signal_facts(t.signal for t in traces)
    )
    return write_recording(path, list(traces), facts)


@pytest.fixture
def uneven(tmp_path) -> Archive:
    """Rates of their own, a gap of 40 s, values that are none, another ECU, one signal missing."""
    rng = np.random.default_rng(5)
    for name in ("a", "b"):
        fast = np.sort(rng.uniform(0, 300, 2000))
        fast = fast[(fast < 100) | (fast > 140)]
        slow = np.sort(rng.uniform(0, 300, 40))
        rpm = rng.uniform(700, 4000, len(fast))
        rpm[::50] = np.nan
        traces = [
            trace("RPM", fast, rpm),
            trace("RPM", fast + 0.01, rpm + 9, "7E9"),
            trace("ECT", slow, rng.uniform(20, 90, len(slow))),
        ]
        trim = rng.uniform(-5, 5, len(fast))
        if name == "a":
            traces += [trace("SHRTFT1", fast, trim), trace("LONGFT1", fast[::3], trim[::3])]
        write(tmp_path / "archive" / f"{name}.parquet", *traces)
    return Archive(tmp_path / "archive", tmp_path / "cache")


def table_of(archive: Archive, *names: str, **how: object) -> dict[str, np.ndarray]:
    """By the table's column; rows in order of drive and time."""
    columns = {name: number(name) for name in names}
    sql = sql_of_aligned(Aligned(columns, **how), archive.index.signals)  # type: ignore[arg-type]
    paths = archive.index.recordings["recording"].to_pylist()
    tables = {"recordings": archive.index.recordings, "signals": archive.index.signals,
              "states": archive.states, "findings": archive.findings}  # fmt: skip
    with Sql(tables, samples_of(archive.store, paths), aligned=sql) as views:
        found = views.run("SELECT * FROM aligned ORDER BY recording, t_s").to_pandas()
    return {name: found[name].to_numpy() for name in found.columns}


def oracle(archive: Archive, path: str, signal: str, t_s: np.ndarray, age_s: float) -> np.ndarray:
    found = open_recording(archive.store.root / path).trace(signal)  # type: ignore[operator]
    known = found.part(np.isfinite(found.value))
    return previous(known, np.round(t_s * NS).astype(np.int64), age_s)


@pytest.mark.parametrize("every_s", [0.1, 1.0, 7.0])
def test_each_row_has_the_last_sample_before_it(uneven, every_s):
    rows = table_of(uneven, "RPM", "ECT", every_s=every_s, max_age_s=20.0)
    for path in ("a.parquet", "b.parquet"):
        mine = rows["recording"] == path
        t_s = rows["t_s"][mine]
        expected = {name: oracle(uneven, path, name, t_s, 20.0) for name in ("RPM", "ECT")}
        for name, values in expected.items():
            np.testing.assert_array_equal(rows[name][mine].astype(float), values)
        # every sample time at which something is known, and no other
        steps = np.arange(0, 309, every_s)
        known = [oracle(uneven, path, name, steps, 20.0) for name in ("RPM", "ECT")]
        last = max(open_recording(uneven.store.root / path).trace("RPM").t_s[-1],
                   open_recording(uneven.store.root / path).trace("ECT").t_s[-1])  # fmt: skip
        wanted = steps[np.isfinite(known).any(axis=0) & (steps < last + every_s)]
        np.testing.assert_allclose(t_s, wanted, atol=1e-9)


def test_ages_and_wall_time(uneven):
    rows = table_of(uneven, "RPM", max_age_s=5.0)
    age = rows["RPM_age_s"]
    assert (age >= 0).all()
    assert age.max() > 4.0  # into the gap
    assert (age <= 5.0).all()
    assert str(rows["wall_utc"][0]) == f"2026-03-01T09:00:0{int(rows['t_s'][0])}.000000"


def test_without_a_limit_three_usual_intervals_count_and_never_less_than_three_seconds(uneven):
    rows = table_of(uneven, "RPM", "ECT")
    assert 2.0 < np.nanmax(rows["RPM_age_s"][~np.isnan(rows["RPM"])]) <= 3.0
    fresh = rows["ECT_age_s"][~np.isnan(rows["ECT"])]
    slow = open_recording(uneven.store.root / "a.parquet").trace("ECT")
    assert 3.0 < fresh.max() <= 3 * max(300 / (len(slow) - 1), 300 / 39)


def test_mean_and_last_are_of_the_step(uneven):
    mean, last = (table_of(uneven, "RPM", every_s=5.0, how=how) for how in ("mean", "last"))
    found = open_recording(uneven.store.root / "a.parquet").trace("RPM")
    for row in (3, 17, 44):
        t_s = mean["t_s"][row]
        inside = (found.t_s > t_s - 5) & (found.t_s <= t_s) & np.isfinite(found.value)
        assert mean["RPM"][row] == pytest.approx(found.value[inside].mean(), rel=1e-12)
        assert last["RPM"][row] == found.value[inside][-1]
    assert not ((mean["t_s"] > 106) & (mean["t_s"] < 140)).any()


def test_the_times_of_the_first_signal(uneven):
    rows = table_of(uneven, "SHRTFT1", "RPM", every_s=None)
    assert set(rows["recording"]) == {"a.parquet"}
    found = open_recording(uneven.store.root / "a.parquet").trace("SHRTFT1")
    np.testing.assert_allclose(rows["t_s"], found.t_s, atol=1e-9)
    np.testing.assert_array_equal(rows["SHRTFT1"], found.value)


def test_derived_signals_and_expressions_are_what_the_program_computes(uneven):
    rows = table_of(uneven, "SHRTFT1", "TOTAL_TRIM1", "max(RPM, 2000) / 2", every_s=None)
    whole = with_computed(open_recording(uneven.store.root / "a.parquet"), ["TOTAL_TRIM1"])
    made = whole.trace("TOTAL_TRIM1")
    np.testing.assert_allclose(rows["TOTAL_TRIM1"], made.value, rtol=1e-12)
    known = ~np.isnan(rows["max(RPM, 2000) / 2"].astype(float))
    assert known.any()
    assert (rows["max(RPM, 2000) / 2"][known] >= 1000).all()


def test_rows_where_a_condition_holds(uneven):
    where = condition("RPM > 2000 and (ECT > 50 or ECT < 30)")
    kept = table_of(uneven, "RPM", "ECT", where=where)
    every = table_of(uneven, "RPM", "ECT")
    holds = (every["RPM"] > 2000) & ((every["ECT"] > 50) | (every["ECT"] < 30))
    np.testing.assert_array_equal(kept["t_s"], every["t_s"][holds])


def test_a_pause_of_years_costs_no_rows(tmp_path):
    t_s = np.array([0.0, 1.0, 2.0, 1.5e9])
    write(tmp_path / "archive/a.parquet", trace("RPM", t_s, np.full(4, 800.0)))
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    rows = table_of(archive, "RPM")
    assert len(rows["t_s"]) == 3 + 60 + 1  # the usual interval is as long: a minute at most
    assert len(table_of(archive, "RPM", max_age_s=5.0)["t_s"]) == 3 + 5 + 1


def test_driving_conditions_and_masks_are_those_of_the_checks(root, opened):
    archive: Archive = opened()
    archive.keep([row for entry in archive.entries() for row in state_entry(archive.store, entry)])
    rows = table_of(archive, "RPM", states=True)
    view = View(open_recording(root / "van/a.parquet"))
    mine = rows["recording"] == "van/a.parquet"
    place = np.searchsorted(view.grid.t_ns, rows["t_s"][mine] * NS, side="right") - 1
    warm, steady = view.conditions.warm[place], view.steady[place]
    inside = rows["t_s"][mine] * NS < view.grid.t_ns[-1] + view.grid.step_ns
    np.testing.assert_array_equal(rows["warm"][mine][inside].astype(bool), warm[inside])
    np.testing.assert_array_equal(rows["steady"][mine][inside].astype(bool), steady[inside])
    assert "warm idle" in set(rows["condition"][mine])
    chosen = table_of(archive, "RPM", conditions=("warm idle", "warm"))
    assert set(chosen["condition"]) == {"warm idle"}
    assert "hatch/a.parquet" not in set(chosen["recording"])  # never warm


def test_findings_stand_beside_each_row(opened):
    archive: Archive = opened()
    archive.findings_of("van/c")
    rows = table_of(archive, "RPM", findings=True)
    worst = {rows["recording"][k]: rows["worst"][k] for k in range(len(rows["worst"]))}
    assert worst["van/c.parquet"] in {"watch", "act"}
    first = rows["findings"][list(rows["recording"]).index("van/c.parquet")]
    assert any(text.startswith("fuel_trim: bank 1") for text in first)


@pytest.mark.parametrize(
    ("make_it", "said"),
    [
        (lambda: Aligned({"RPM": number("RPM")}, how="middle"), "no way to align"),  # type: ignore[arg-type]
        (lambda: Aligned({"RPM": number("RPM")}, every_s=None, how="mean"), "needs steps"),
        (lambda: Aligned({"RPM": number("RPM")}, every_s=0.0), "not from 0.01 s"),
        (lambda: Aligned({"RPM": number("RPM")}, conditions=("hot",)), "choose .*warm idle"),
        (lambda: {"RPMM": number("RPMM")}, "did you mean RPM"),
    ],
)
def test_what_makes_no_sense_is_refused(make_it: Callable[[], object], said: str):
    with pytest.raises(UsageError, match=said):
        make_it()


def test_what_no_recording_holds_and_what_looks_back_is_refused(uneven):
    with pytest.raises(UsageError, match="No recording of this archive holds MAF"):
        table_of(uneven, "MAF")
    with pytest.raises(UsageError, match="looks back over time"):
        table_of(uneven, "rate(RPM)")


def test_the_same_in_sql(opened, root):
    make(root / "van/d.parquet", started="2026-04-10T10:00:00+00:00", event="stalls")
    archive: Archive = opened()
    sql = "SELECT recording, count(*) AS n, avg(TOTAL_TRIM1) AS trim FROM aligned GROUP BY 1"
    answer = {row["recording"]: row for row in archive.query(sql).table.to_pylist()}
    assert answer["van/b.parquet"]["n"] == 601
    assert answer["van/b.parquet"]["trim"] == pytest.approx(8.0, abs=0.2)
    fewer = archive.query("SELECT count(*) AS n FROM aligned WHERE RPM > 0", every_s=10.0)
    assert fewer.table["n"].to_pylist() == [6 * 61]
    assert archive.query("SELECT * FROM conditions").table.num_rows == 0
    archive.keep([row for entry in archive.entries() for row in state_entry(archive.store, entry)])
    said = archive.query("SELECT DISTINCT condition FROM conditions").table["condition"]
    assert "warm idle" in said.to_pylist()
    cars = archive.query("SELECT car, drives FROM cars ORDER BY drives DESC").table.to_pylist()
    assert cars[0] == {"car": "van", "drives": 4}
    notes = archive.query("SELECT * FROM notes ORDER BY recording").table.to_pylist()
    assert [note["text"] for note in notes] == ["hesitates", "stalls"]
    assert checks_version()
