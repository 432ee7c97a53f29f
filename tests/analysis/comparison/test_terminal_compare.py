"""`logbench compare`: exit codes, JSON, plots, refusal of different cars."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbench.cli.main import main
from logbench.recording.finish import write_recording
from tests.analysis.scenes import CRUISE, HILL, HOLD, IDLE, KEY_ON, Phase, Scene

ROUTE = (KEY_ON, Phase(4, 900), IDLE, HOLD, CRUISE, HILL, IDLE)


def written(folder: Path, name: str, trim: float, seed: int = 1, phases=ROUTE, **more) -> Path:
    vin = more.pop("vin", "ZZ9TEST170X000001")
    made = [Phase(**{**vars(p), "trim": (trim, 0.0)}) for p in phases]
    scene = Scene(made, hz=5.0, seed=seed).trims().set(**more)
    recording = scene.recording(vin=vin)
    return write_recording(folder / f"{name}.parquet", recording.traces(), recording.facts)


def said(capsys) -> str:
    return " ".join(capsys.readouterr().out.split())


def run(before: Path, after: Path, *options: str) -> int:
    return main(["compare", str(before), str(after), *options])


@pytest.mark.parametrize(
    ("before", "after", "code"), [(18.0, 1.0, 0), (3.0, 3.0, 0), (1.0, 18.0, 2), (-8.0, 8.0, 1)]
)
def test_exit_codes(tmp_path, before, after, code, capsys):
    files = (written(tmp_path, "before", before), written(tmp_path, "after", after, seed=2))
    assert run(*files) == code
    text = said(capsys)
    assert "otal fuel trim, bank 1" in text
    assert "95 % interval" in text


def test_not_comparable_is_no_success(tmp_path, capsys):
    short = (KEY_ON, Phase(5, 720))
    files = (
        written(tmp_path, "before", 9.0, phases=short),
        written(tmp_path, "after", 0.0, seed=2, phases=short),
    )
    assert run(*files) == 3
    assert "enough in common" in said(capsys)


def test_json_is_a_document_without_nan(tmp_path, capsys):
    files = (written(tmp_path, "before", 18.0), written(tmp_path, "after", 1.0, seed=2))
    code = run(*files, "--json")
    document = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert document["exit_code"] == code == 0
    verdicts = {row["signal"]: row["verdict"] for row in document["signals"]}
    assert verdicts["TOTAL_TRIM1"] == "changed"
    resolved = [f for f in document["findings"] if f["verdict"] == "resolved"]
    assert resolved


def test_different_cars_are_refused_until_confirmed(tmp_path, capsys):
    files = (
        written(tmp_path, "before", 18.0),
        written(tmp_path, "after", 1.0, seed=2, vin="ZZ9TEST280X000002"),
    )
    assert run(*files) == 3
    assert "--same-car" in capsys.readouterr().err
    code = run(*files, "--json")
    document = json.loads(capsys.readouterr().out)
    assert code == document["exit_code"] == 3
    assert document["refused"]
    assert "signals" not in document
    assert run(*files, "--same-car") == 0


def test_plots_are_written(tmp_path):
    files = (written(tmp_path, "before", 18.0), written(tmp_path, "after", 1.0, seed=2))
    run(*files, "--png", str(tmp_path / "plots"))
    made = {path.name: path.stat().st_size for path in (tmp_path / "plots").iterdir()}
    assert {"intervals.png", "cells-total_trim1.png", "overlay.png"} <= set(made)
    assert min(made.values()) > 10_000


def test_one_recording_on_both_sides_is_refused(tmp_path, capsys):
    file = written(tmp_path, "before", 1.0)
    assert run(file, file) == 3
    assert "same recording is on both sides" in capsys.readouterr().err


def test_errors_of_the_world_are_errors(tmp_path, capsys):
    file = written(tmp_path, "before", 1.0)
    assert run(file, tmp_path / "none.parquet") == 3
    assert "none.parquet" in capsys.readouterr().err
    after = written(tmp_path, "after", 1.0, seed=2)
    assert run(file, after, "--png", str(file / "below-a-file")) == 3
    assert "choose another folder" in capsys.readouterr().err
