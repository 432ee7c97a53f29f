"""The terminal side of import and export."""

from __future__ import annotations

import io

import pytest

from logbench.cli.files import correct
from logbench.cli.main import main
from logbench.importing.model import recall
from logbench.recording.reader import open_recording
from tests.importing.reading import column_of, detected

TEXT = "time,rpm,odd thing\n0,700,1\n1,x,2\n" + "".join(f"{k},720,3\n" for k in range(2, 9))


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    """Where mappings are remembered in a test."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


def test_import_says_what_it_made_and_left_out(tmp_path, capsys):
    (tmp_path / "in").mkdir()
    (tmp_path / "in/a.csv").write_text(TEXT)
    (tmp_path / "in/b.csv").write_bytes(b"\0")
    assert main(["import", str(tmp_path / "in"), "--into", str(tmp_path / "out"), "--yes"]) == 3
    out = " ".join(capsys.readouterr().out.split())
    assert "1 recordings from 1 files; 1 not imported." in out
    assert "1 x rpm: is no number" in out
    assert "Column 'odd thing' is not imported" in out
    assert open_recording(tmp_path / "out/a.parquet").signals == ("RPM",)


def test_without_a_terminal_nothing_is_guessed_silently(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    (tmp_path / "a.csv").write_text(TEXT)
    assert main(["import", str(tmp_path / "a.csv"), "--into", str(tmp_path / "out")]) == 3
    said = capsys.readouterr()
    assert "--yes" in said.err
    assert "odd thing" in said.out
    assert not (tmp_path / "out").exists()


def test_corrected_at_the_prompt_and_remembered(tmp_path, monkeypatch, capsys):
    answers = iter(["gibberish", "odd thing = ECT degF", ""])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("rich.prompt.Prompt.ask", lambda *a, **k: next(answers))
    (tmp_path / "a.csv").write_text(TEXT)
    assert main(["import", str(tmp_path / "a.csv"), "--into", str(tmp_path / "out")]) == 0
    assert "is not understood" in capsys.readouterr().out
    recording = open_recording(tmp_path / "out/a.parquet")
    assert recording.trace("ECT").value[0] == pytest.approx((1 - 32) / 1.8)
    kept = recall(detected(tmp_path / "a.csv").fingerprint)
    assert kept is not None
    assert column_of(kept, "odd thing").unit == "degF"


def test_refused_at_the_prompt(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("rich.prompt.Prompt.ask", lambda *a, **k: "q")
    (tmp_path / "a.csv").write_text(TEXT)
    (tmp_path / "b.csv").write_text(TEXT)  # of the same kind: asked once for both
    assert main(["import", str(tmp_path), "--into", str(tmp_path / "out")]) == 0
    assert "0 recordings from 0 files" in capsys.readouterr().out


def test_map_files(tmp_path, capsys):
    (tmp_path / "a.csv").write_text(TEXT)
    line = ["import", str(tmp_path / "a.csv"), "--into"]
    map_file = tmp_path / "map.toml"
    assert main([*line, str(tmp_path / "1"), "--yes", "--save-map", str(map_file)]) == 0
    text = map_file.read_text()
    map_file.write_text(text.replace('signal = "RPM"', 'signal = "CLR_DIST"', 1)
                            .replace('unit = "rpm"', 'unit = "km"'))  # fmt: skip
    assert main([*line, str(tmp_path / "2"), "--map", str(map_file)]) == 0
    names = [open_recording(tmp_path / k / "a.parquet").signals for k in ("1", "2")]
    assert names == [("RPM",), ("CLR_DIST",)]
    assert main([*line, str(tmp_path), "--map", str(tmp_path / "no.toml")]) == 3
    assert "no.toml" in capsys.readouterr().err


def test_correct_understands_equals_signs_in_names(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT.replace("odd thing", "a=b"))
    mapping = detected(tmp_path / "a.csv")
    correct(mapping, "a=b = ect degF")
    assert column_of(mapping, "a=b").signal == "ECT"
    correct(mapping, "a=b =")
    assert not column_of(mapping, "a=b").used


def test_export(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    assert main(["import", str(tmp_path / "a.csv"), "--into", str(tmp_path), "--yes"]) == 0
    line = ["export", str(tmp_path / "a.parquet"), "-o"]
    out = tmp_path / "part.csv"
    assert main([*line, str(out), "--signals", "rpm", "--end", "1"]) == 0
    assert out.read_text("utf-8-sig").splitlines() == ["t_s,RPM (rpm)", "0.000000000,700"]
    out = tmp_path / "part.parquet"
    assert main([*line, str(out), "--start", "2"]) == 0
    assert len(open_recording(out).trace("RPM")) == 7
