"""No summary vouches for what was not judged: on screen, in JSON and in the report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from logbench.analysis.model import Coverage, Finding
from logbench.analysis.run import parts_of, plain_words, run_checks
from logbench.cli.main import main
from logbench.recording.finish import write_recording
from logbench.recording.reader import Recording, open_recording
from logbench.report.sentences import default_sentences
from logbench.words import inside
from tests.analysis.scenes import CRUISE, HILL, HOLD, IDLE, KEY_ON, Phase, Scene

LACKING = (Coverage.NOT_RECORDED, Coverage.UNCERTAIN)
BEFORE = Path(__file__).parents[2] / "recordings" / "before.parquet"


def weak_alternator() -> Recording:
    """It was recorded for 8 s."""
    scene = Scene([KEY_ON, Phase(8, 720)])
    return scene.set(VPWR=scene.over([12.4, 12.1])).recording()


def no_pedal_pair() -> Recording:
    scene = Scene([KEY_ON, IDLE, HOLD, CRUISE, HILL, CRUISE, IDLE]).trims()
    return scene.set(TP_B=0.5 * scene.signals["TP"] + 3.0).recording()


@pytest.fixture(params=["before", "weak alternator", "no pedal pair"])
def drive(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, list[Finding]]:
    """A recording's file, and what the checks make of it."""
    if request.param == "before":
        return BEFORE, run_checks(open_recording(BEFORE))
    recording = weak_alternator() if request.param == "weak alternator" else no_pedal_pair()
    traces = [recording.trace(*key) for key in recording.keys]
    path = write_recording(tmp_path / "drive.parquet", traces, recording.facts)
    return path, run_checks(open_recording(path))


def lacking(found: list[Finding]) -> list[Finding]:
    return [f for f in found if f.coverage is not Coverage.JUDGED]


def test_on_the_screen(drive, capsys: pytest.CaptureFixture[str]):
    path, found = drive
    assert lacking(found)
    main(["check", str(path)])
    last = " ".join(capsys.readouterr().out.split("\n\n")[-1].split())
    parts = parts_of(found)
    judged = sum(p.coverage is Coverage.JUDGED for p in parts)
    assert last.startswith(f"Judged {judged} of {len(parts)}, not judged: ")
    for finding in lacking(found):
        assert f"{finding.heading} ({finding.coverage.value})" in last


def test_for_machines(drive, capsys: pytest.CaptureFixture[str]):
    path, found = drive
    main(["check", str(path), "--json"])
    document = json.loads(capsys.readouterr().out)
    named = {(p["check"], p["subject"]): p for p in document["coverage"]["not_judged"]}
    assert set(named) == {(f.check, f.subject) for f in lacking(found)}
    assert all(p["why"] and p["coverage"] != "judged" for p in named.values())
    assert document["coverage"]["judged"] + len(named) == document["coverage"]["of"]
    for row in document["findings"]:
        assert (row["coverage"] == "judged") == (row["verdict"] != "not judged")


def test_in_the_report(drive, material):
    _, found = drive
    one = replace(material.drives[0], findings=tuple(found))
    made = default_sentences(replace(material, drives=[one], comparison=None))
    keys = list(made)
    assert keys.index("found: not judged") < keys.index("found: within")  # what is cut is the end
    for check in {f.check for f in found} - {"recording"}:
        words = inside(plain_words(check))
        mine = [f for f in found if f.check == check]
        missing = [f.subject for f in mine if f.coverage in LACKING]
        foreign = [f.subject for f in mine if f.coverage is Coverage.NOT_APPLICABLE]
        judged = [f for f in mine if f.coverage is Coverage.JUDGED]
        vouched = bool(judged) and not any(f.verdict.severity for f in mine)
        assert (words in made["found: within"]) == vouched
        assert (words in made["found: not judged"]) == bool(missing)
        assert (words in made["found: not of this car"]) == bool(foreign)
        if vouched and (missing or foreign):
            without = "; ".join((*missing, *foreign))
            assert f"{words} (without {without})" in made["found: within"]
        if judged and missing:
            assert f"{words} ({'; '.join(missing)})" in made["found: not judged"]


@pytest.mark.parametrize(
    ("required", "code"),
    [
        (["fuel_trim"], 2),
        (["charging"], 4),
        (["charging:charging"], 2),
        (["fuel_trim,throttle_pedal"], 4),
        (["fuel_trim:bank 1, warm idle"], 2),
        (["airflow", "own"], 4),
        (["fuel_trims"], 3),
    ],
)
def test_a_required_check_has_its_own_exit_code(required, code, capsys):
    options = [word for name in required for word in ("--require", name)]
    assert main(["check", str(BEFORE), *options]) == code
    said = capsys.readouterr().err
    assert ("is required and not judged: " in said) == (code == 4)
