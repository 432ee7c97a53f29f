"""The mapping file as a person writes and corrects it: docs/mapping-file.md."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logbench.errors import ImportFileError
from logbench.importing.model import ColumnMap, Mapping
from tests.importing.reading import column_of, detected, read

TEXT = "time,rpm,odd thing\n" + "".join(f"{k},{700 + k},{80 + k}\n" for k in range(9))
DOCUMENT = Path(__file__).parents[2] / "docs" / "mapping-file.md"


def saved(tmp_path: Path) -> tuple[Path, Path]:
    """A log and the mapping that is proposed for it, as a file."""
    log, file = tmp_path / "a.csv", tmp_path / "a.toml"
    log.write_text(TEXT)
    detected(log).save(file)
    return log, file


def test_a_signal_written_into_the_file_counts_fully(tmp_path: Path):
    log, file = saved(tmp_path)
    text = file.read_text()
    part = text.index('column = "odd thing"')
    file.write_text(text[:part] + text[part:].replace('signal = ""', 'signal = "ECT"', 1))
    (drive,) = read(log, Mapping.load(file)).drives
    assert {t.signal: t.value[0] for t in drive.traces} == {"RPM": 700.0, "ECT": 80.0}


def test_a_guess_that_is_not_imported_is_not_written_as_a_signal(tmp_path: Path):
    mapping = Mapping(columns=[ColumnMap(column="a", place=0, signal="ECT", confidence=0.3)])
    mapping.save(tmp_path / "a.toml")
    (column,) = Mapping.load(tmp_path / "a.toml").columns
    assert (column.signal, column.others, column.used) == ("", ["ECT"], False)


def test_a_supposed_unit_follows_the_signal(tmp_path: Path):
    log, file = saved(tmp_path)
    file.write_text(file.read_text().replace('signal = "RPM"', 'signal = "CLR_DIST"'))
    (drive,) = read(log, Mapping.load(file)).drives
    assert [(t.signal, t.unit) for t in drive.traces] == [("CLR_DIST", "km")]


def test_a_unit_that_the_file_gives_does_not_follow(tmp_path: Path):
    log, file = tmp_path / "a.csv", tmp_path / "a.toml"
    log.write_text(TEXT.replace("rpm", "Engine speed (rpm)"))
    detected(log).save(file)
    file.write_text(file.read_text().replace('signal = "RPM"', 'signal = "CLR_DIST"'))
    with pytest.raises(ImportFileError, match="cannot be CLR_DIST"):
        read(log, Mapping.load(file))


def test_columns_are_found_by_name_and_the_time_where_none_is_named(tmp_path: Path):
    log, file = tmp_path / "a.csv", tmp_path / "a.toml"
    log.write_text(TEXT)
    file.write_text('[[columns]]\ncolumn = "odd thing"\nsignal = "ECT"\nunit = "degF"\n')
    (drive,) = read(log, Mapping.load(file)).drives
    (trace,) = drive.traces
    assert trace.signal == "ECT"
    assert trace.value[0] == pytest.approx((80 - 32) / 1.8)
    assert trace.t_s.tolist() == list(range(9))


def test_a_column_that_is_not_there_is_named(tmp_path: Path):
    log, file = tmp_path / "a.csv", tmp_path / "a.toml"
    log.write_text(TEXT)
    file.write_text('[[columns]]\ncolumn = "coolant"\nsignal = "ECT"\n')
    with pytest.raises(ImportFileError, match=r"no column 'coolant'.*'odd thing'"):
        read(log, Mapping.load(file))


def test_the_example_of_the_document_is_read(tmp_path: Path):
    blocks = re.findall(r"```(csv|toml)\n(.*?)```", DOCUMENT.read_text("utf-8"), re.DOTALL)
    assert [kind for kind, _ in blocks] == ["csv", "toml"]
    (tmp_path / "a.csv").write_text(blocks[0][1])
    (tmp_path / "a.toml").write_text(blocks[1][1])
    mapping = Mapping.load(tmp_path / "a.toml")
    (drive,) = read(tmp_path / "a.csv", mapping).drives
    got = {t.signal: (t.unit, t.value.tolist(), t.t_s.tolist()) for t in drive.traces}
    assert got["RPM"] == ("rpm", [812.0, 815.0, 1490.0], [0.0, 0.5, 1.0])
    assert got["ECT"][1] == pytest.approx([82.2, 82.2, 82.8], abs=0.05)
    assert set(got) == {"RPM", "ECT"}
    assert column_of(mapping, "Boost request").used is False


def test_every_field_of_the_file_is_in_the_document():
    text = DOCUMENT.read_text("utf-8")
    models = [Mapping, *(type(v) for v in (Mapping().time, Mapping().split)), ColumnMap]
    fields = {name for model in models for name in model.model_fields}
    assert {name for name in fields if f"`{name}`" not in text} == set()
