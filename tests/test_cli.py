"""The command line itself: durations, bad words, exit codes, one sentence for each error."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench import __version__
from logbench.cli import main, parse_duration_s
from logbench.errors import UsageError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90", 90), ("90s", 90), ("10min", 600), ("1.5h", 5400), ("2 m", 120), (" 5sec ", 5)],
)
def test_durations(text: str, seconds: float):
    assert parse_duration_s(text) == seconds


@pytest.mark.parametrize("text", ["", "0", "-5s", "ten", "5 days", "1h30", "nan"])
def test_bad_durations_name_the_legal_forms(text: str):
    with pytest.raises(UsageError, match="10min"):
        parse_duration_s(text)


def test_version(capsys: pytest.CaptureFixture[str]):
    assert main(["--version"]) == 0
    assert __version__ in capsys.readouterr().out


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]):
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    for command in ("record", "check", "signals", "simulate", "recover", "demo", "open"):
        assert command in out


def _one_sentence(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    first = captured.err.strip().splitlines()[0]
    assert first.startswith("logbench: ")
    return first


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["chekc", "x.parquet"], "chekc"),
        (["record"], "link"),
        (["record", "--link", "sim:", "--for", "soon"], "soon"),
        (["record", "--link", "sim:", "--displacement", "-3"], "displacement"),
        (["record", "--link", "carrier-pigeon:7", "--out", "{tmp}/x.parquet"], "carrier-pigeon"),
        (["record", "--link", "sim:?fault=gremlins:1", "--out", "{tmp}/x.parquet"], "gremlins"),
        (["record", "--link", "sim:", "--signals", "RMP", "--out", "{tmp}/x.parquet"], "RMP"),
        (["check", "{tmp}/none.parquet"], "none.parquet"),
        (["check", "{tmp}"], ""),
        (["signals", "flux", "capacitance"], "flux"),
        (["simulate", "faulty=1"], "faulty"),
    ],
)
def test_bad_input_is_one_sentence_and_not_zero(
    arguments: list[str], word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    code = main([a.replace("{tmp}", str(tmp_path)) for a in arguments])
    assert code == 3
    assert word in _one_sentence(capsys)


def test_a_file_that_is_no_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    path = tmp_path / "letter.parquet"
    path.write_text("Dear customer")
    assert main(["check", str(path)]) == 3
    assert "letter.parquet" in _one_sentence(capsys)


def test_signals_are_found_by_acronym_pid_and_name(capsys: pytest.CaptureFixture[str]):
    assert main(["signals", "coolant"]) == 0
    assert "ECT" in capsys.readouterr().out
    assert main(["signals", "0x0c"]) == 0
    assert "RPM" in capsys.readouterr().out
