"""List, find, query, findings, trend, spread, likeness, add, check."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import threading

import numpy as np
import pyarrow.parquet as pq
import pytest

from logbench.analysis.expression.checked import condition
from logbench.analysis.repeats import OF_CARS, Repeats, Scatter
from logbench.archive import archive as archive_module
from logbench.archive import findings as findings_module
from logbench.archive.archive import Archive
from logbench.archive.care import safe_name
from logbench.archive.find import Filter, sql_of
from logbench.archive.index import cache_folder
from logbench.archive.likeness import nearest, similar_drives
from logbench.archive.store import LocalStore
from logbench.archive.sweep import sweep_checks
from logbench.archive.trend import spread_of, trend_of
from logbench.errors import ArchiveError, QueryError, UsageError
from logbench.recording.reader import open_recording
from logbench.signals.units import Units
from tests.archive.conftest import make


def found(archive: Archive, **parts: object) -> list[str]:
    return sorted(archive.find(Filter(**parts))["recording"].to_pylist())  # type: ignore[arg-type]


def test_what_is_there(opened, root):
    archive = opened()
    table = archive.find()
    assert table["recording"].to_pylist() == [
        "van/c.parquet", "hatch/a.parquet", "truck/a.parquet", "van/b.parquet", "van/a.parquet",
    ]  # fmt: skip
    row = table.to_pylist()[0]
    recording = open_recording(root / "van/c.parquet")
    assert row["duration_s"] == recording.duration_ns / 1e9
    assert row["samples"] == sum(len(t) for t in recording.traces())
    assert row["samples_sha256"] == recording.facts.samples_sha256
    (rpm,) = archive.rows(
        "SELECT * FROM signals WHERE recording = 'van/c.parquet' AND signal = 'RPM'"
    )
    value = recording.trace("RPM").value
    assert (rpm["minimum"], rpm["maximum"], rpm["unit"]) == (value.min(), value.max(), "rpm")


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ({"car": "VAN"}, ["van/a.parquet", "van/b.parquet", "van/c.parquet"]),
        ({"car": "van", "since": "2026-02"}, ["van/b.parquet", "van/c.parquet"]),
        ({"until": "2026-02-10"}, ["van/a.parquet", "van/b.parquet"]),
        ({"text": "stalls"}, ["van/b.parquet"]),
        ({"text": "hesitates"}, ["hatch/a.parquet"]),
        ({"displacement_l": (1.7, 1.9), "since": "2026-02-11"}, ["hatch/a.parquet",
                                                                 "van/c.parquet"]),
        ({"signals": ("RPM", "MAF")}, []),
        ({"signals": ("rpm", "ect"), "car": "truck"}, ["truck/a.parquet"]),
        ({"car": "'; DROP VIEW recordings; --"}, []),
    ],
)  # fmt: skip
def test_filters(opened, parts, expected):
    assert found(opened(), **parts) == expected


def test_conditions(opened):
    archive = opened()
    cold = condition("ECT below 70 after 9 minutes")
    assert found(archive, condition=cold) == ["hatch/a.parquet"]
    assert found(archive, condition=condition("ECT > 185 degF before 1 min"), car="van") == [
        "van/a.parquet", "van/b.parquet", "van/c.parquet"]  # fmt: skip
    assert found(archive, condition=condition("ECT below 70 after 2 hours")) == []
    assert found(archive, condition=condition("MAF above 1")) == []


def test_what_is_no_number_is_above_nothing(opened):
    """DuckDB takes NaN for more than any number."""
    samples = "SELECT 'RPM' AS signal, 'nan'::DOUBLE AS value, 0 AS t_ns"
    held = sql_of(condition("RPM above 500"))
    answer = opened().query(f"SELECT count(*) AS n FROM ({samples}) WHERE {held}")
    assert answer.table["n"].to_pylist() == [0]


def test_a_limit_in_any_unit_finds_the_same(opened):
    archive, us = opened(), Units(us=True)
    cold = found(archive, condition=condition("ECT below 70 C after 9 min"))
    assert cold == ["hatch/a.parquet"]
    for same in ("ECT below 158 F after 9 min", "ECT < 343.15 K and time >= 540"):
        assert found(archive, condition=condition(same)) == cold
    assert found(archive, condition=condition("ECT below 158 after 9 min", us)) == cold


def test_a_condition_of_several_signals_is_computed(opened):
    archive = opened()
    several = condition("highest(ECT, 10 s) below 70 after 9 min and RPM > 0")
    assert sql_of(several) is None
    assert found(archive, condition=several) == ["hatch/a.parquet"]
    rich = found(archive, condition=condition("TOTAL_TRIM1 > 0"))
    assert rich == found(archive, condition=condition("SHRTFT1 + LONGFT1 > 0")) != []
    assert found(archive, condition=condition("TOTAL_TRIM1 > 90 %")) == []
    assert found(archive, signals=("total_trim1",)) == found(archive, signals=("LONGFT1",))


def test_bad_questions_get_a_sentence(opened):
    for text in ("ECT is cold", "below 70", "ECT below 70'; DROP", ""):
        with pytest.raises(UsageError):
            condition(text)
    with pytest.raises(UsageError, match="is in km/h"):
        condition("ECT above 3 km/h")
    with pytest.raises(UsageError, match="no signal 'NOSUCH'"):
        condition("NOSUCH below 3")
    with pytest.raises(UsageError, match="is not a date"):
        opened().find(Filter(since="yesterday"))
    with pytest.raises(ArchiveError, match="no one recording 'a'"):
        opened().resolve("a")
    with pytest.raises(ArchiveError, match="no one recording 'zzz'"):
        opened().open("zzz")


def test_only_what_changed_is_read_again(opened, root):
    assert opened().refresh().fresh == 5
    assert opened().refresh().fresh == 0
    make(root / "van/d.parquet")
    (root / "van/a.parquet").unlink()
    index = opened().refresh()
    assert index.fresh == 1
    assert sorted(index.recordings["recording"].to_pylist()) == [
        "hatch/a.parquet", "truck/a.parquet", "van/b.parquet", "van/c.parquet", "van/d.parquet",
    ]  # fmt: skip
    assert "van/a.parquet" not in set(index.signals["recording"].to_pylist())
    os.utime(root / "van/b.parquet", ns=(0, 10**18))
    assert opened().refresh().fresh == 1


def test_a_spoiled_or_missing_cache_is_made_anew(opened, tmp_path):
    archive = opened()
    archive.refresh()
    folder = cache_folder(archive.store, tmp_path / "cache")
    for path in folder.rglob("*.*"):
        path.write_bytes(b"nonsense")
    assert opened().refresh().fresh == 5
    shutil.rmtree(folder)
    assert opened().refresh().fresh == 5


def test_samples_in_sql_are_those_of_the_file(opened, root):
    sql = "SELECT recording, median(value) AS m FROM samples WHERE signal = 'RPM' GROUP BY 1"
    answer = {row["recording"]: row["m"] for row in opened().query(sql).table.to_pylist()}
    assert len(answer) == 5
    for name, middle in answer.items():
        value = open_recording(root / name).trace("RPM").value
        assert middle == pytest.approx(float(np.median(value)), rel=1e-12)
    narrowed = opened().query("SELECT count(DISTINCT recording) FROM samples",
                              chosen=Filter(car="van"))  # fmt: skip
    assert narrowed.table.to_pydict() == {"count(DISTINCT recording)": [3]}


def test_findings_are_kept_until_a_check_or_the_file_changes(opened, root, monkeypatch):
    archive = opened()
    done = sweep_checks(archive)
    assert (done.done, done.known, done.problems) == (5, 0, 0)
    assert sweep_checks(opened()).done == 0
    assert {row["check"] for row in opened().findings_of("van/c")} >= {"fuel_trim", "warm_up"}
    rows = opened().findings.to_pylist()
    keys = [(row["recording"], row["check"], row["subject"]) for row in rows]
    assert len(keys) == len(set(keys))
    (root / "van/a.parquet").unlink()
    make(root / "van/a.parquet", trim=3.0)
    assert [entry.path for entry in opened().pending()] == ["van/a.parquet"]
    monkeypatch.setattr(findings_module, "checks_version", lambda: "another")
    assert len(opened().pending()) == 5


@pytest.mark.parametrize("name", ["a.py", "bands.toml", "deep/table.csv"])
def test_another_check_band_or_table_makes_another_version(name, tmp_path, monkeypatch):
    monkeypatch.setattr(findings_module.resources, "files", lambda _: tmp_path)
    file = tmp_path / name
    file.parent.mkdir(exist_ok=True)
    versions = set()
    for content in ("1", "2"):
        file.write_text(content)
        versions.add(findings_module.checks_version.__wrapped__())
    assert len(versions) == 2


def test_find_by_finding(opened):
    sweep_checks(opened())
    verdicts = {
        row["recording"]: row["verdict"]
        for row in opened().findings.to_pylist()
        if row["check"] == "fuel_trim" and row["subject"] == "bank 1, warm idle"
    }
    assert verdicts["van/c.parquet"] in {"watch", "act"}
    wanted = sorted(r for r, v in verdicts.items() if v == verdicts["van/c.parquet"])
    name = f"fuel_trim:{verdicts['van/c.parquet']}:warm idle"
    assert found(opened(), finding=name) == wanted
    with pytest.raises(UsageError):
        opened().find(Filter(finding="a:act:b:c"))


def test_trend_over_a_cars_life_and_spread_over_others(opened):
    sweep_checks(opened())
    points = trend_of(opened(), "fuel_trim:bank 1, warm idle", "van").points
    assert [point.recording[4] for point in points] == ["a", "b", "c"]
    assert [point.value for point in points] == pytest.approx([2, 8, 22], abs=0.5)
    number = "fuel_trim:bank 1, warm idle:short_term_pct"
    assert [p.value for p in trend_of(opened(), number, "van").points] == pytest.approx(
        [1, 4, 11], abs=0.3
    )
    spread = spread_of(opened(), "fuel_trim:bank 1, warm idle", 1.8, without_car="hatch", value=5.0)
    assert spread.cars == 1  # the van counts once, with its median; 5.0 l are another kind of car
    assert spread.quantiles["50 %"] == pytest.approx(8, abs=0.5)
    assert spread.share_below == 0.0
    assert spread_of(opened(), "fuel_trim:bank 1, warm idle", 1.8, without_car="van").cars == 0
    assert spread_of(opened(), "fuel_trim", 3.0, value=1.0).cars == 0
    with pytest.raises(UsageError):
        trend_of(opened(), ":", "van")


def test_drives_like_this_one(opened):
    """Trims of 2, 8 and 22 %: the first is nearer to the second than to the third. Idling has one
    cell in common only, which is too few, so cells are put in by hand as well."""
    assert similar_drives(opened(), "van/a") == []
    base = np.full(35 * 5, np.nan)
    base[:6] = 2.0
    near, far, other = base.copy(), base.copy(), np.full(35 * 5, np.nan)
    near[:6], far[:6], other[20:22] = 8.0, 22.0, 2.0
    alike = nearest(base, np.array([far, other, near]), ["far", "other", "near"])
    assert [(a.recording, a.common_cells) for a in alike] == [("near", 6), ("far", 6)]
    untouched = np.sqrt(2.0) * OF_CARS.of("TOTAL_TRIM1").single  # sd of two drives of one car
    assert alike[0].distance == pytest.approx(6 / untouched)
    steady = Repeats({"TOTAL_TRIM1": Scatter(0.5)})  # a car that hardly moves by itself
    own = nearest(base, np.array([near]), ["near"], repeats=steady)
    assert own[0].distance == pytest.approx(6 / (0.5 * np.sqrt(2.0)))
    assert nearest(base, np.array([base]), ["same"])[0].distance == 0.0


def test_add_and_twice(opened, tmp_path):
    source = make(tmp_path / "drive 1.parquet", car="Mini: Van/../x", note="new")
    archive = opened()
    path, new = archive.add(source)
    assert (path, new) == ("Mini- Van-..-x/2026-03-01-drive 1.parquet", True)
    assert archive.add(source) == (path, False)
    assert opened().open(path).intact()
    assert source.exists()
    assert found(opened(), text="new") == [path]


def held_up(monkeypatch, name: str) -> tuple[threading.Event, threading.Event]:
    """The first answer of that function of the archive waits; (it is made, it may be given)."""
    made, may = threading.Event(), threading.Event()
    real = getattr(archive_module, name)

    def slow(*args: object) -> object:
        answer = real(*args)
        if not made.is_set():
            made.set()
            assert may.wait(20)
        return answer

    monkeypatch.setattr(archive_module, name, slow)
    return made, may


@pytest.mark.parametrize("then", ["nothing", "refresh"])
def test_a_look_that_began_before_a_recording_was_added_never_hides_it(
    opened, tmp_path, monkeypatch, then
):
    source = make(tmp_path / "late.parquet", car="late", note="late")
    archive = opened()
    looked, may = held_up(monkeypatch, "build_index")
    before = threading.Thread(target=archive.entries)
    before.start()
    assert looked.wait(20)
    monkeypatch.setattr(archive, "_known", {})
    path, _ = archive.add(source)  # meanwhile
    after = threading.Thread(target=archive.refresh) if then == "refresh" else None
    if after is not None:
        after.start()
        after.join(0.5)  # it may not overtake
    may.set()
    for thread in (before, after):
        if thread is not None:
            thread.join(20)
            assert not thread.is_alive()
    assert found(archive, text="late") == [path]


def test_findings_read_before_others_were_kept_never_hide_them(opened, monkeypatch):
    archive = opened()
    path = archive.entries()[0].path
    read, may = held_up(monkeypatch, "load_findings")
    before = threading.Thread(target=lambda: archive.findings)
    before.start()
    assert read.wait(20)
    made = archive.findings_of(path)
    may.set()
    before.join(20)
    assert not before.is_alive()
    assert made
    assert archive.findings.num_rows == len(made)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("a/b\\c", "a-b-c"), ("..", ""), ("con", "con_"), ("x" * 200, "x" * 60), ("quarantine",
     "quarantine_"), ("é 1.8", "é 1.8"), ("a\nb\0", "a-b"), ("LPT1.parquet", "LPT1.parquet_")],
)  # fmt: skip
def test_names_are_safe(text, expected):
    assert safe_name(text) == expected


def test_check_sets_damaged_files_aside_and_deletes_nothing(opened, root, monkeypatch):
    recording = open_recording(root / "van/b.parquet")
    spoiled = bytearray((root / "van/b.parquet").read_bytes())
    page = pq.ParquetFile(root / "van/b.parquet").metadata.row_group(0).column(3).data_page_offset
    spoiled[page : page + 40] = bytes(40)
    (root / "van/b.parquet").write_bytes(spoiled)
    (root / "van/cut.parquet").write_bytes((root / "van/a.parquet").read_bytes()[:5000])
    swapped = make(root / "van/swapped.parquet", trim=7.0)
    from logbench.recording import finish, writing

    facts = recording.facts
    swapped.unlink()
    with monkeypatch.context() as patched:
        patched.setattr(writing, "hash_samples", lambda digest, trace: None)

        def unproven(part, signals, facts, exchanges=(), *, plain):
            return writing._write_parquet(part, signals, facts, exchanges, None, plain)

        patched.setattr(finish, "write_proven", unproven)  # the other would notice it
        finish.write_recording(swapped, open_recording(root / "van/a.parquet").traces(), facts)
    seen = {c.path: c for c in opened().check()}
    assert {p for p, c in seen.items() if c.health == "damaged"} == {
        "van/b.parquet", "van/cut.parquet", "van/swapped.parquet"}  # fmt: skip
    assert "not those that were recorded" in seen["van/swapped.parquet"].sentence
    assert (root / "van/b.parquet").exists()
    moved = {c.moved_to for c in opened().check(quarantine=True) if c.moved_to}
    assert moved == {f"quarantine/van/{n}.parquet" for n in ("b", "cut", "swapped")}
    assert (root / "quarantine/van/b.parquet").read_bytes() == spoiled
    assert {c.health for c in opened().check()} == {"sound"}
    assert len(opened().index.recordings) == 4


def test_a_disk_error_and_a_job_never_lead_to_quarantine(opened, root, monkeypatch):
    (root / "van/job.toml").write_text("title = [[[")
    real = LocalStore.open

    def failing(self: LocalStore, path: str) -> object:
        if path == "van/b.parquet":
            raise OSError(errno.EIO, "Input/output error")
        return real(self, path)

    archive = opened()
    archive.refresh()
    monkeypatch.setattr(LocalStore, "open", failing)
    seen = {c.path: c for c in archive.check(quarantine=True)}
    assert seen["van/b.parquet"].health == "unreadable"
    assert not any(c.moved_to for c in seen.values())
    second = Archive(root, root / "../cache2")
    assert {p.kind for p in second.index.problems} == {"damaged", "unreadable"}
    monkeypatch.setattr(LocalStore, "open", real)
    assert second.refresh().fresh == 1  # a passing error is not remembered
    assert {p.kind for p in second.index.problems} == {"damaged"}
    assert (root / "van/job.toml").exists()
    assert (root / "van/b.parquet").exists()


def test_jobs_are_a_view(opened, root):
    (root / "van/job.toml").write_text(
        'title = "Poor idle"\nconcern = "It rattles"\n[vehicle]\nlabel = "van"\n'
        'displacement_l = 1.8\n[[notes]]\ntext = "smells of fuel"\n[[recordings]]\nfile = "a"\n'
    )
    (root / "hatch/job.toml").write_text("title = [[[")
    archive = opened()
    (job,) = archive.rows("SELECT * FROM jobs")
    assert (job["job"], job["title"], job["recordings"]) == ("van", "Poor idle", 1)
    assert found(archive, text="smells") == ["van/a.parquet", "van/b.parquet", "van/c.parquet"]
    assert [(p.path, p.kind) for p in archive.index.problems] == [("hatch/job.toml", "damaged")]


def test_an_empty_archive_and_none(tmp_path):
    (tmp_path / "empty").mkdir()
    archive = Archive(tmp_path / "empty", tmp_path / "cache")
    assert archive.find().num_rows == 0
    assert archive.query("SELECT count(*) AS n FROM samples").table.to_pydict() == {"n": [0]}
    assert sweep_checks(archive).done == 0
    with pytest.raises(ArchiveError, match="no archive"):
        Archive(tmp_path / "gone")
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArchiveError, match="not a folder"):
        Archive(tmp_path / "file")
    with pytest.raises(QueryError):
        archive.query("SELECT nothing FROM nowhere")


def test_a_listing_imports_nothing_slow(opened, root, tmp_path):
    """A cold listing must stay under a second: pandas, scipy and pint alone would take that."""
    sweep_checks(opened(), recordings=["van/a.parquet"])
    code = (
        "import sys; from pathlib import Path; from logbench.archive.archive import Archive;"
        "from logbench.archive.find import Filter;"
        "archive = Archive(sys.argv[1], Path(sys.argv[2]));"
        "assert archive.find(Filter(car='van')).num_rows == 3 and archive.findings.num_rows > 3;"
        "print([m for m in ('pandas', 'scipy', 'pint', 'distributed') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(root), str(tmp_path / "cache")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.strip() == "[]", done.stderr


def test_any_fsspec_address(root, tmp_path):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    for path in root.rglob("*.parquet"):
        memory.pipe(f"/arch/{path.relative_to(root).as_posix()}", path.read_bytes())
    archive = Archive("memory://arch", tmp_path / "c")
    assert archive.find().num_rows == 5
    assert archive.open("van/a").intact()
    memory.rm("/arch", recursive=True)
