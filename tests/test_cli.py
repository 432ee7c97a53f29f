"""The command line itself: durations, bad words, exit codes, one sentence for each error."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import logbench
from logbench import __version__
from logbench.cli.main import main
from logbench.cli.options import duration_s
from logbench.errors import UsageError
from logbench.recording.finish import write_recording
from logbench.recording.frames import MAGIC
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Facts

DEMO = Path(__file__).resolve().parents[1] / "recordings"


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90", 90), ("90s", 90), ("10min", 600), ("1.5h", 5400), ("2 m", 120), (" 5sec ", 5)],
)
def test_durations(text: str, seconds: float):
    assert duration_s(text) == seconds


@pytest.mark.parametrize("text", ["", "0", "-5s", "ten", "5 days", "1h30", "nan"])
def test_bad_durations_name_the_legal_forms(text: str):
    with pytest.raises(UsageError, match="10min"):
        duration_s(text)


def test_version(capsys: pytest.CaptureFixture[str]):
    assert main(["--version"]) == 0
    assert __version__ in capsys.readouterr().out


def test_without_memory_it_says_so(monkeypatch, capsys: pytest.CaptureFixture[str]):
    def none(*_, **__):
        raise MemoryError

    monkeypatch.setattr("logbench.analysis.run.run_checks", none)
    assert main(["check", "recordings/after.parquet"]) == 3
    assert "not enough memory" in capsys.readouterr().err


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]):
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    commands = (
        "record check compare verify signals simulate recover demo open"
        " import export report archive"
    )
    for command in commands.split():
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
        (["record", "--link", "replay:{demo}/before.parquet", "--signals", "RMP"], "RPM"),
        (["record", "--link", "tcp://127.0.0.1:1", "--signals", "RMP"], "did you mean RPM"),
        (["record", "--link", "serial:/dev/none", "--signals", "RPM,RMP"], "did you mean RPM"),
        (["check", "{tmp}/none.parquet"], "none.parquet"),
        (["check", "{tmp}"], ""),
        (["signals", "flux", "capacitance"], "flux"),
        (["simulate", "faulty=1"], "faulty"),
        (["simulate", "--trouble", "gremlins@5"], "gremlins"),
        (["record", "--link", "sim:", "--unattended"], "--into"),
        (["record", "--link", "sim:", "--into", "{tmp}"], "--unattended"),
        (["record", "--link", "sim:", "--unattended", "--volt-every", "0"], "--volt-every"),
        (["compare", "{tmp}/one.parquet"], "before"),
        (["compare", "{tmp}/one.parquet", "{tmp}/two.parquet"], "one.parquet"),
        (["verify", "{tmp}/none.parquet"], "none.parquet"),
        (["import", "{tmp}/none.csv"], "none.csv"),
        (["export", "{tmp}/none.parquet", "-o", "{tmp}/x.csv"], "none.parquet"),
        (["export", "{tmp}/none.parquet", "-o", "{tmp}/x.docx"], ".csv"),
        (["report", "{tmp}/nowhere"], "nowhere"),
        (["report", "{demo}/before.parquet"], "no job in"),
        (["archive", "list", "{tmp}/nowhere"], "nowhere"),
        (["archive", "query", "{tmp}", "DROP TABLE recordings"], "SELECT"),
    ],
)
def test_bad_input_is_one_sentence_and_not_zero(
    arguments: list[str], word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    code = main([a.replace("{tmp}", str(tmp_path)).replace("{demo}", str(DEMO)) for a in arguments])
    assert code == 3
    assert word in _one_sentence(capsys)
    assert not [*tmp_path.iterdir()]


@pytest.mark.skipif(
    sys.platform != "linux", reason="a folder that takes nothing, not even of root's"
)
@pytest.mark.parametrize(
    "arguments",
    [
        ["record", "--link", "sim:", "--out", "/proc/x.parquet"],
        ["export", str(DEMO / "before.parquet"), "--out", "/proc/x.csv"],
        ["demo", "--headless", "--out", "/proc/demo"],
        ["job", "new", "/proc/job"],
    ],
)
def test_a_folder_that_is_there_and_takes_nothing(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
):
    assert main(arguments) == 3
    assert "takes no new files: choose another" in _one_sentence(capsys)


def test_a_file_that_is_no_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    path = tmp_path / "letter.parquet"
    path.write_text("Dear customer")
    assert main(["check", str(path)]) == 3
    assert "letter.parquet" in _one_sentence(capsys)


def test_signals_are_found_by_acronym_pid_and_name(capsys: pytest.CaptureFixture[str]):
    assert main(["signals", "coolant"]) == 0
    assert "ECT" in capsys.readouterr().out
    assert main(["signals", "total", "bank", "1"]) == 0
    shown = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "TOTAL_TRIM1 derived Total fuel trim, bank 1 % SHRTFT1 + LONGFT1" in shown
    assert main(["signals", "0x0c"]) == 0
    assert "RPM" in capsys.readouterr().out


def test_check_exits_by_the_worst_finding(capsys: pytest.CaptureFixture[str]):
    assert main(["check", str(DEMO / "before.parquet")]) == 2
    assert "act" in capsys.readouterr().out
    assert main(["check", str(DEMO / "after.parquet")]) == 0


def test_check_for_machines(capsys: pytest.CaptureFixture[str]):
    assert main(["check", str(DEMO / "before.parquet"), "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    worst = [f for f in document["findings"] if f["verdict"] == "act"]
    assert document["severity"] == 2
    assert any(f["check"] == "fuel_trim" and f["subject"] == "bank 1, warm idle" for f in worst)
    assert all(f["evidence"] for f in worst)


def test_what_is_stated_of_the_surroundings_is_held_against_the_sensors(
    capsys: pytest.CaptureFixture[str],
):
    def height(*options: str) -> list[dict]:
        main(["check", str(DEMO / "after.parquet"), "--json", *options])
        found = json.loads(capsys.readouterr().out)["findings"]
        return [f for f in found if (f["check"], f["subject"]) == ("pressures", "height")]

    (unknown,) = height()
    assert unknown["verdict"] == "not judged"
    assert "--altitude-m" in unknown["next_steps"][0]
    (wrong,) = height("--altitude-m", "4000")
    assert wrong["verdict"] == "act"
    assert main(["check", str(DEMO / "after.parquet"), "--altitude-m", "99999"]) == 3
    assert "--altitude-m" in _one_sentence(capsys)


def test_compare_shows_the_repair(capsys: pytest.CaptureFixture[str]):
    assert main(["compare", str(DEMO / "before.parquet"), str(DEMO / "after.parquet")]) == 0
    assert "Resolved: fuel trim" in capsys.readouterr().out


def test_any_file_named_alone_is_opened_or_told_why_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    (tmp_path / "a.txt").write_text("hello")
    assert main([str(tmp_path / "a.txt")]) == 3
    assert "is not a recording" in " ".join(capsys.readouterr().err.split())
    assert main(["b.txt"]) == 3
    assert "No such command" in capsys.readouterr().err


def test_a_frame_of_one_signal_or_of_several():
    recording = logbench.open(DEMO / "before.parquet")
    one = recording.frame("RPM")
    assert set(one["signal"]) == {"RPM"}
    assert one.equals(recording.frame(["RPM"]))


def test_recover_says_what_became_of_each(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["recover", str(tmp_path / "gone")]) == 3
    assert main(["recover", str(tmp_path), "--second", str(tmp_path / "gone")]) == 3
    assert capsys.readouterr().err.count("There is no folder") == 2
    assert main(["recover", str(tmp_path)]) == 0
    assert "No journal is waiting" in capsys.readouterr().out
    (tmp_path / "accounts.journal").write_bytes(b"sold two tires")
    for name in "ab":
        writer = JournalWriter(tmp_path / f"{name}.parquet.journal", Facts())
        for k in range(3):
            writer.append([("RPM", "7E8", k, 1.0)])
            writer.flush()
        writer.close()
    with (tmp_path / "b.parquet.journal").open("r+b") as file:
        file.seek(file.read().rindex(MAGIC, 0, writer.size_bytes - 100) + 60)
        file.write(b"spoiled")
    assert main(["recover", str(tmp_path)]) == 3
    out = "".join(capsys.readouterr().out.split())  # lines are broken anywhere in a path
    assert f"recovered:{tmp_path}/a.parquet" in out
    assert "accounts.journalisnotajournalofthisprogram" in out
    assert f"2of3samplesarein{tmp_path}/b.parquet" in out
    assert (tmp_path / "accounts.journal").read_bytes() == b"sold two tires"


def test_verify_tells_intact_from_changed(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["verify", str(DEMO / "before.parquet")]) == 0
    recording = logbench.open(DEMO / "before.parquet")
    traces = recording.traces(["RPM", "ECT"])
    traces[0].value[5] += 1.0
    sha = recording.facts.samples_sha256
    path = write_recording(tmp_path / "changed.parquet", traces, recording.facts)
    facts = logbench.open(path).facts
    assert facts.samples_sha256 != sha  # written anew, so it carries its own
    table = pq.read_table(path)
    metadata = dict(table.schema.metadata)
    metadata[b"logbench.facts"] = metadata[b"logbench.facts"].replace(
        facts.samples_sha256.encode(), sha.encode()
    )
    forged = tmp_path / "forged.parquet"
    pq.write_table(table.replace_schema_metadata(metadata), forged)
    capsys.readouterr()
    assert main(["verify", str(forged)]) == 5
    assert "CHANGED" in capsys.readouterr().out


def test_verify_shows_every_file_where_one_is_none(tmp_path: Path, capsys):
    """The first that was no recording hid what was found of the others."""
    bad = tmp_path / "bad.parquet"
    bad.write_bytes(b"no")
    good = [str(DEMO / f"{name}.parquet") for name in ("before", "after")]
    assert main(["verify", good[0], str(bad), str(tmp_path), good[1]]) == 3
    said = capsys.readouterr()
    assert said.out.count("intact") == 2
    assert "bad.parquet is not a recording" in said.err
    assert len(said.err.splitlines()) == 2


def test_the_demo_recordings_tell_their_story():
    for name in ("before", "after"):
        recording = logbench.open(DEMO / f"{name}.parquet")
        assert recording.facts.link.simulated
        assert recording.facts.vehicle.vin == "ZZ9TEST170X000001"
        assert recording.intact()


def test_export_then_import_gives_the_same_samples(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    out = tmp_path / "part.csv"
    arguments = ["export", str(DEMO / "before.parquet"), "-o", str(out), "--signals", "RPM,ECT"]
    assert main([*arguments, "--start", "60", "--end", "120"]) == 0
    assert main(["import", str(out), "--into", str(tmp_path / "in"), "--yes"]) == 0
    (made,) = (tmp_path / "in").glob("*.parquet")
    again, source = logbench.open(made), logbench.open(DEMO / "before.parquet").trace("RPM")
    inside = (source.t_s >= 60) & (source.t_s < 120)
    np.testing.assert_array_equal(again.trace("RPM").value, source.value[inside])


def test_the_archive_in_three_commands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    place = tmp_path / "archive"
    place.mkdir()
    files = [str(DEMO / "before.parquet"), str(DEMO / "after.parquet")]
    assert main(["archive", "add", str(place), *files]) == 0
    assert main(["archive", "list", str(place), "--json"]) == 0
    assert main(["archive", "sweep", str(place)]) == 0
    capsys.readouterr()
    assert main(["archive", "find", str(place), "--finding", "fuel_trim:act"]) == 0
    assert "1 of 2 recordings" in capsys.readouterr().out
    assert main(["archive", "verify", str(place)]) == 0
