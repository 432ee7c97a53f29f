"""Folders of files, remembered mappings, frames and Parquet tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from logbench.cases.importing import ImportFiles
from logbench.cases.work import run_here
from logbench.errors import ImportFileError
from logbench.importing.model import Mapping, recall, remember
from logbench.importing.run import files_in, import_file, preview, read_file
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from tests.importing.reading import detected, read_frame

TEXT = "time,rpm,odd thing\n0,700,1\n1,710,2\n2,720,3\n"


def test_a_mapping_survives_toml(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(TEXT)
    mapping = detected(path)
    mapping.assign("odd thing", "ECT", "degF")
    mapping.save(tmp_path / "maps" / "a.toml")
    assert Mapping.load(tmp_path / "maps" / "a.toml") == mapping


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("version = 2", "version"),
        ("nonsense = 1", "nonsense"),
        ("[[columns]]\ncolumn = 'a'\nconfidence = 3", r"columns\.0\.confidence"),
        ("= = =", "cannot be read"),
    ],
)
def test_a_bad_mapping_is_told(tmp_path, content, sentence):
    (tmp_path / "a.toml").write_text(content)
    with pytest.raises(ImportFileError, match=sentence):
        Mapping.load(tmp_path / "a.toml")
    with pytest.raises(ImportFileError, match="no mapping"):
        Mapping.load(tmp_path / "b.toml")


def test_a_correction_is_remembered_for_files_that_look_the_same(tmp_path):
    memory = tmp_path / "memory"
    (tmp_path / "a.csv").write_text(TEXT)
    (tmp_path / "b.csv").write_text(TEXT.replace("0,700,1", "0,750,1"))
    (tmp_path / "c.csv").write_text(TEXT.replace("odd", "another"))
    mapping = detected(tmp_path / "a.csv")
    mapping.assign("odd thing", "ECT", "degF")
    remember(mapping, memory)
    seen = preview(tmp_path / "b.csv", memory)
    assert seen.remembered
    assert seen.names == ("time", "rpm", "odd thing")
    assert seen.rows[0] == ("0", "750", "1")
    signals = [
        {t.signal for t in read_file(tmp_path / name, memory=memory).drives[0].traces}
        for name in ("b.csv", "c.csv")
    ]
    assert signals == [{"RPM", "ECT"}, {"RPM"}]
    (memory / f"{mapping.fingerprint}.toml").unlink()
    assert recall(mapping.fingerprint, memory) is None
    with pytest.raises(ImportFileError, match="no fingerprint"):
        recall("../../etc/passwd", memory)


def test_a_folder_goes_on_past_a_bad_file(tmp_path):
    source, out = tmp_path / "in", tmp_path / "out"
    (source / "deep").mkdir(parents=True)
    out.mkdir()
    (source / "1.csv").write_text(TEXT)
    (source / "2.csv").write_bytes(b"\0\0\0")
    (source / "deep/3.csv").write_text("time,rpm\n0,700\n1,701\n0,800\n1,801\n5,802\n0,900\n")
    (source / "note.md").write_text("not for import")
    frame = pd.DataFrame({"time_s": [0.0, 1.0], "RPM": [700.0, 710.0]})
    frame.to_parquet(source / "4.parquet")
    t_ns = np.array([0, 10**9])
    write_recording(source / "5.parquet", [Trace("RPM", "7E8", "rpm", t_ns, t_ns * 1.0)], Facts())
    told: list[float] = []
    case = ImportFiles(out, files_in([source]), memory=tmp_path)
    outcomes = run_here(case, lambda _, share: told.append(share)).imported
    assert told == sorted(told)
    assert {0.0, 0.25, 0.5, 0.75} <= set(told)
    assert {o.source.name: len(o.made) for o in outcomes} == {
        "1.csv": 1, "2.csv": 0, "3.csv": 2, "4.parquet": 1}  # fmt: skip
    assert [o.problem != "" for o in outcomes if o.source.name == "2.csv"] == [True]
    assert sorted(p.name for p in out.iterdir()) == [
        "1.parquet", "3-01.parquet", "3-02.parquet", "4.parquet"]  # fmt: skip
    for path in out.iterdir():
        assert open_recording(path).intact() is True
    facts = open_recording(out / "1.parquet").facts
    assert facts.extra["import"]["file"] == "1.csv"
    assert any("odd thing" in remark for remark in facts.extra["import"]["remarks"])


def test_named_files(tmp_path):
    with pytest.raises(ImportFileError, match="no file"):
        files_in([tmp_path / "gone"])
    t_ns = np.array([0, 10**9])
    trace = Trace("RPM", "7E8", "rpm", t_ns, np.array([1.0, 2.0]))
    path = write_recording(tmp_path / "a.parquet", [trace], Facts())
    with pytest.raises(ImportFileError, match="is a recording already"):
        import_file(path, tmp_path, memory=tmp_path)
    (tmp_path / "b.parquet").write_bytes(b"PAR1 no PAR1")
    with pytest.raises(ImportFileError, match="damaged or no Parquet"):
        import_file(tmp_path / "b.parquet", tmp_path, memory=tmp_path)


def test_odd_names_of_files_stay_in_the_folder(tmp_path):
    source = tmp_path / "in"
    source.mkdir()
    (tmp_path / "out").mkdir()
    (source / "..; rm -rf ~ $(x) ü.csv").write_text(TEXT)
    outcome = import_file(*files_in([source]), tmp_path / "out", memory=tmp_path)
    assert [path.parent for path in outcome.made] == [tmp_path / "out"]
    assert outcome.made[0].name == "rm--rf-x-ü.parquet"


def test_frames_with_calendar_index_and_categories(tmp_path):
    index = pd.date_range("2026-03-01T10:00:00Z", periods=3, freq="250ms", name="when")
    frame = pd.DataFrame(
        {
            "Engine speed (rpm)": [700, 710, 720],
            "ECT": pd.array([90, None, 91], dtype="Int64"),
            "Fuel system status": pd.Categorical(["OL", "CL", "CL"]),
        },
        index=index,
    ).rename_axis("timestamp")
    imported = read_frame(frame, tmp_path)
    (drive,) = imported.drives
    got = {t.signal: (t.t_s.tolist(), t.value.tolist()) for t in drive.traces}
    assert got["RPM"][0] == pytest.approx([0, 0.25, 0.5], abs=1e-6)
    assert got["RPM"][1] == [700, 710, 720]
    assert got["ECT"][1] == [90, 91]
    assert got["FUELSYS1"][1] == [1, 2, 2]
    assert drive.facts.started_utc == "2026-03-01T10:00:00+00:00"
    with pytest.raises(ImportFileError, match="no rows"):
        read_frame(frame.iloc[:0], tmp_path)
