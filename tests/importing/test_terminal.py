"""The terminal side of import and export."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from logbench.cli.terminal_import import correct, export_file, import_files
from logbench.errors import ImportFileError, UsageError
from logbench.importing.memory import recall
from logbench.recording.reader import open_recording
from tests.importing.reading import detected

TEXT = "time,rpm,odd thing\n0,700,1\n1,x,2\n" + "".join(f"{k},720,3\n" for k in range(2, 9))


def console() -> tuple[Console, io.StringIO]:
    out = io.StringIO()
    return Console(file=out, width=110, highlight=False), out


def test_import_says_what_it_made_and_left_out(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in/a.csv").write_text(TEXT)
    (tmp_path / "in/b.csv").write_bytes(b"\0")
    screen, out = console()
    code = import_files(
        [tmp_path / "in"], screen, into=tmp_path / "out", yes=True, memory=tmp_path / "memory"
    )
    assert code == 3
    assert "1 recordings from 1 files; 1 not imported." in out.getvalue()
    assert "1 x rpm: is no number" in out.getvalue()
    assert "Column 'odd thing' is not imported" in out.getvalue()
    assert open_recording(tmp_path / "out/a.parquet").signals == ("RPM",)


def test_without_a_terminal_nothing_is_guessed_silently(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    (tmp_path / "a.csv").write_text(TEXT)
    screen, out = console()
    with pytest.raises(UsageError, match="--yes"):
        import_files([tmp_path / "a.csv"], screen, into=tmp_path / "out", memory=tmp_path / "m")
    assert "odd thing" in out.getvalue()
    assert not (tmp_path / "out").exists()


def test_corrected_at_the_prompt_and_remembered(tmp_path, monkeypatch):
    answers = iter(["gibberish", "odd thing = ECT degF", ""])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("rich.prompt.Prompt.ask", lambda *a, **k: next(answers))
    (tmp_path / "a.csv").write_text(TEXT)
    screen, out = console()
    code = import_files([tmp_path / "a.csv"], screen, into=tmp_path / "out", memory=tmp_path / "m")
    assert code == 0
    assert "is not understood" in out.getvalue()
    recording = open_recording(tmp_path / "out/a.parquet")
    assert recording.trace("ECT").value[0] == pytest.approx((1 - 32) / 1.8)
    kept = recall(detected(tmp_path / "a.csv").fingerprint, tmp_path / "m")
    assert kept is not None
    assert kept.column("odd thing").unit == "degF"


def test_map_files(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    screen, _ = console()
    memory = tmp_path / "m"
    import_files([tmp_path / "a.csv"], screen, into=tmp_path / "1", yes=True,
                 save_map=tmp_path / "map.toml", memory=memory)  # fmt: skip
    text = (tmp_path / "map.toml").read_text()
    (tmp_path / "map.toml").write_text(text.replace('signal = "RPM"', 'signal = "CLR_DIST"', 1)
                                       .replace('unit = "rpm"', 'unit = "km"'))  # fmt: skip
    import_files([tmp_path / "a.csv"], screen, into=tmp_path / "2",
                 map_file=tmp_path / "map.toml", memory=memory)  # fmt: skip
    names = [open_recording(tmp_path / k / "a.parquet").signals for k in ("1", "2")]
    assert names == [("RPM",), ("CLR_DIST",)]
    with pytest.raises(ImportFileError):
        import_files([tmp_path], screen, into=tmp_path, map_file=tmp_path / "no.toml")


def test_correct_understands_equals_signs_in_names(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT.replace("odd thing", "a=b"))
    mapping = detected(tmp_path / "a.csv")
    correct(mapping, "a=b = ect degF")
    assert mapping.column("a=b").signal == "ECT"
    correct(mapping, "a=b =")
    assert not mapping.column("a=b").used


def test_export(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text(TEXT)
    screen, _ = console()
    import_files([tmp_path / "a.csv"], screen, into=tmp_path, yes=True, memory=tmp_path / "m")
    monkeypatch.chdir(tmp_path)
    made = export_file(tmp_path / "a.parquet", screen, signals=["rpm"], end_s=1.0)
    assert made.read_text("utf-8-sig").splitlines() == ["t_s,RPM (rpm)", "0.000000000,700"]
    made = export_file(tmp_path / "a.parquet", screen, kind="parquet", start_s=2.0)
    assert len(open_recording(made).trace("RPM")) == 7
