"""The terminal side of import and export."""

from __future__ import annotations

import io
import json
from pathlib import Path

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
    assert "1 recording from 1 file; 1 not imported." in out
    assert "1 x rpm: is not a number" in out
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


# --- what would come out, and what a person states ---

TRIPS = "time,rpm,ECT (degC)\n" + "".join(
    f"2026-03-0{day} 09:00:{k:02d},{700 + k * day},{80 + k % 3}\n"
    for day in (1, 2)
    for k in range(40)
)


@pytest.fixture
def trips(tmp_path):
    """A log of two drives whose times have no zone."""
    (tmp_path / "trips.csv").write_text(TRIPS)
    return ["import", str(tmp_path / "trips.csv"), "--into", str(tmp_path / "out"), "--yes"]


def test_show_only_shows_what_would_come_out_and_writes_nothing(tmp_path, trips, capsys):
    assert main([*trips, "--show-only"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "drive 2: 2026-03-02 09:00:00 local, 0:39 long, 80 samples, car not named" in out
    assert "RPM 1 Hz 700 to 778 rpm" in out
    assert not (tmp_path / "out").exists()


def test_as_json_it_is_the_same(tmp_path, trips, capsys):
    assert main([*trips, "--show-only", "--json", "--car", "blue"]) == 0
    (shown,) = json.loads(capsys.readouterr().out)
    first, second = shown["drives"]
    assert (second["started"], second["length_s"], second["car"]) == (
        "2026-03-02T09:00:00", 39.0, "blue")  # fmt: skip
    assert {s["signal"]: (s["low"], s["high"]) for s in first["signals"]} == {
        "ECT": (80.0, 82.0), "RPM": (700.0, 739.0)}  # fmt: skip
    assert (shown["made"], shown["problem"]) == ([], "")
    assert main([*trips, "--json"]) == 0
    (made,) = json.loads(capsys.readouterr().out)
    assert [Path(path).name for path in made["made"]] == ["trips-01.parquet", "trips-02.parquet"]
    assert made["drives"][1]["length_s"] == 39.0
    assert main([*trips[:-1], "--json"]) == 3
    assert "--show-only" in capsys.readouterr().err


def test_nonsense_is_refused_and_said(tmp_path, capsys):
    (tmp_path / "a.csv").write_text("time (s),rpm\n5,700\n")
    line = ["import", str(tmp_path / "a.csv"), "--into", str(tmp_path / "out"), "--yes"]
    for more in ([], ["--show-only"]):
        assert main([*line, *more]) == 3
        assert "lasts no time" in " ".join(capsys.readouterr().out.split())
    assert list((tmp_path / "out").glob("*")) == []


def test_car_displacement_start_and_drive_are_stated(tmp_path, trips, capsys):
    stated = ["--car", "blue van", "--displacement", "1.9", "--drive", "2"]
    assert main([*trips, *stated, "--start", "2026-05-04T10:00+02:00"]) == 0
    (path,) = (tmp_path / "out").glob("*")
    assert path.name == "trips-02.parquet"
    facts = open_recording(path).facts
    assert (facts.vehicle.label, facts.vehicle.displacement_l) == ("blue van", 1.9)
    assert (facts.started_utc, facts.started_local) == ("2026-05-04T08:00:00+00:00", "")


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        (["--start", "2026-05-04T10:00"], "2 drives"),
        (["--drive", "3"], "There is no drive 3: the file holds 2"),
        (["--start", "yesterday"], "is not a date and time"),
        (["--displacement", "-1"], "displacement"),
    ],
)
def test_what_cannot_be_stated_is_told(trips, stated, said, capsys):
    assert main([*trips, *stated]) == 3
    told = capsys.readouterr()
    assert said in " ".join((told.out + told.err).split())


# --- the same again ---


def test_the_same_file_twice_adds_nothing(tmp_path, trips, capsys):
    assert main(trips) == 0
    capsys.readouterr()
    assert main(trips) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "is here already:" in out
    assert "trips-01.parquet" in out
    assert "0 recordings from 0 files; 2 here already; 0 not imported." in out
    assert len(list((tmp_path / "out").glob("*"))) == 2


def test_the_same_samples_under_another_name_add_nothing(tmp_path, trips):
    assert main(trips) == 0
    (tmp_path / "other.csv").write_text(TRIPS.replace(",", ";"))
    assert main(["import", str(tmp_path / "other.csv"), *trips[2:]]) == 0
    assert len(list((tmp_path / "out").glob("*"))) == 2


def test_a_file_read_in_another_way_comes_in_and_says_so(tmp_path, trips, capsys):
    assert main(trips) == 0
    map_file = tmp_path / "map.toml"
    assert main([*trips, "--show-only", "--save-map", str(map_file)]) == 0
    text = map_file.read_text()
    map_file.write_text(text.replace('signal = "ECT"', 'signal = "IAT"'))
    capsys.readouterr()
    assert main([*trips[:-1], "--map", str(map_file)]) == 0
    assert "was imported before, read in another way" in " ".join(capsys.readouterr().out.split())
    assert len(list((tmp_path / "out").glob("*"))) == 4


def test_a_damaged_twin_does_not_keep_the_sound_one_out(tmp_path, trips):
    assert main([*trips, "--drive", "1"]) == 0
    (path,) = (tmp_path / "out").glob("*")
    data = bytearray(path.read_bytes())
    data[100:140] = bytes(40)
    path.write_bytes(data)
    assert main([*trips, "--drive", "1"]) == 0
    assert len(list((tmp_path / "out").glob("*"))) == 2
