"""Evidence from the command line and the cases: verified on opening, checking, comparing and
reporting; what is changed is said first, and told by the exit code."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from logbench.cases.evidence import verify_report
from logbench.cases.job import WriteReport
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.cli.options import CHANGED
from logbench.errors import UsageError
from logbench.job.folder import JobFolder
from logbench.job.keys import Keys, fingerprint
from logbench.job.ledger import LEDGER_FILE
from logbench.job.model import Note
from logbench.job.seal import head_text, mark_in, seal_of
from logbench.job.store import JobStore
from logbench.recording.storage import file_sha256
from logbench.report.options import ReportOptions
from tests.job.sealed import sealed_job, write_drive

RECORDING = Path("recordings", "a.parquet")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> JobFolder:
    return sealed_job(tmp_path_factory.mktemp("made"))


@pytest.fixture
def job(made: JobFolder, tmp_path: Path) -> JobFolder:
    return JobFolder(Path(shutil.copytree(made.path, tmp_path / "job")))


def spoil(job: JobFolder) -> None:
    """Another note than the one that entered."""
    text = job.file.read_text("utf-8")
    job.file.write_text(text.replace("Hose looks split", "Hose looks good"), "utf-8")


def test_show_says_at_the_top_whether_the_job_is_sealed(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
):
    assert main(["job", "show", str(job.path)]) == 0
    assert capsys.readouterr().out.startswith("Sealed since ")
    spoil(job)
    assert main(["job", "show", str(job.path)]) == CHANGED
    assert capsys.readouterr().out.startswith("This job was CHANGED since it was sealed.")


def test_verify_tells_sealed_changed_and_not_known_apart(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
):
    assert main(["verify", str(job.path)]) == 0
    out = capsys.readouterr().out
    assert head_text(seal_of(job).head) in " ".join(out.split())
    spoil(job)
    assert main(["verify", str(job.path)]) == CHANGED
    (job.path / LEDGER_FILE).unlink()
    text = job.file.read_text("utf-8")
    job.file.write_text(re.sub(r"\[ledger\].*?(?=\n\[)", "", text, flags=re.S), "utf-8")
    assert main(["verify", str(job.path)]) == 3
    assert "not sealed" in capsys.readouterr().out


def test_another_installations_key_is_good_where_somebody_knows_it(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "theirs"))
    key = fingerprint(seal_of(job).key)
    assert main(["verify", str(job.path)]) == 0
    assert main(["verify", str(job.path), "--key", "0000 1111"]) == 3
    assert main(["verify", str(job.path), "--key", key.lower()]) == 0


COMMANDS = {
    "verify": ("verify", "."),
    "verify a file": ("verify", "recordings/a.parquet"),
    "verify a report": ("verify", "report.html", "--job", "."),
    "job show": ("job", "show", "."),
    "job compare": ("job", "compare", ".", "--same-car"),
    "compare": ("compare", "recordings/a.parquet", "recordings/b.parquet", "--same-car"),
    "check": ("check", "recordings/a.parquet"),
    "report": ("report", ".", "--out", "r.html"),
    "job export": ("job", "export", ".", "--out", "x.zip"),
}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("state", ["sealed", "foreign", "changed"])
def test_one_exit_code_means_the_same_of_every_command(
    job: JobFolder, command: str, state: str, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
):  # fmt: skip
    """What another installation sealed is named, and good; what is changed is named, and 5."""
    if command == "verify a report":
        report(job, "report.html")
    key = fingerprint(seal_of(job).key)
    if state == "changed":
        change_samples(job.path / RECORDING)
    if state == "foreign":
        monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "theirs"))
    monkeypatch.chdir(job.path)
    code = main([*COMMANDS[command]])
    said = " ".join(" ".join(capsys.readouterr()).split())
    assert (code == CHANGED) is (state == "changed")
    assert ("another installation" in said and key in said) is (state == "foreign")
    assert ("CHANGED" in said) is (state == "changed")
    if command not in ("compare", "job compare"):  # these say what became of the car
        assert state == "changed" or code in (0, 1)


def change_samples(path: Path) -> None:
    """Other samples under the old checksum."""
    table = pq.read_table(path)
    values = pc.add(table["value"], 1.0)
    place = table.schema.get_field_index("value")
    pq.write_table(table.set_column(place, table.schema.field(place), values), path)


def test_check_says_first_that_a_file_is_not_what_was_recorded(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
):
    path = job.path / RECORDING
    code = main(["check", str(path)])
    assert code != CHANGED
    change_samples(path)
    capsys.readouterr()
    assert main(["verify", str(path)]) == CHANGED
    capsys.readouterr()
    assert main(["check", str(path)]) == CHANGED
    told = capsys.readouterr().err.splitlines()
    assert told[0] == "logbench: a.parquet was CHANGED: its samples are not what was recorded."
    assert told[1].startswith("logbench: The recording recordings/a.parquet was altered")
    assert main(["check", str(path), "--json"]) == CHANGED
    assert len(json.loads(capsys.readouterr().out)["changed"]) == 2


def test_compare_says_first_that_a_file_is_not_what_was_recorded(
    job: JobFolder, capsys: pytest.CaptureFixture[str], tmp_path: Path
):
    other = shutil.copy(Path("recordings") / "after.parquet", tmp_path)
    assert main(["compare", str(job.path / RECORDING), str(other), "--same-car"]) != CHANGED
    change_samples(job.path / RECORDING)
    capsys.readouterr()
    assert main(["compare", str(job.path / RECORDING), str(other), "--same-car"]) == CHANGED
    assert capsys.readouterr().err.startswith("logbench: a.parquet was CHANGED")


def test_check_knows_a_file_that_was_changed_together_with_the_job(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
):
    """Samples and checksum anew, and its SHA-256 in job.toml: only the ledger has what it was."""
    path = job.path / "recordings" / "b.parquet"  # nothing stands beside it
    old = file_sha256(path)
    path.unlink()
    write_drive(path, 650.0)
    text = job.file.read_text("utf-8")
    job.file.write_text(text.replace(old, file_sha256(path)), "utf-8")
    assert main(["check", str(path)]) == CHANGED
    assert "never entered the ledger" in capsys.readouterr().err


# --- the report ---


def report(job: JobFolder, name: str) -> Path:
    path = job.path / name
    run_here(WriteReport(JobFolder(job.path), job.load(), path, ReportOptions()))
    return path


@pytest.mark.parametrize("name", ["report.pdf", "report.html"])
def test_a_report_is_held_against_its_job(job: JobFolder, name: str):
    path = report(job, name)
    marked = mark_in(path.read_bytes())
    assert marked is not None
    found = run_here(verify_report(path, job))
    assert found.problems == ()
    assert "to the byte" in found.said[0]
    assert marked.head == job.ledger.head(marked.entries)
    assert main(["verify", str(path), "--job", str(job.path)]) == 0


def test_a_report_that_was_altered_is_found(job: JobFolder):
    path = report(job, "report.html")
    path.write_bytes(path.read_bytes().replace(b"Renew the hose", b"Renew the pump"))
    found = run_here(verify_report(path, job))
    assert "it was altered" in found.problems[0]
    assert main(["verify", str(path), "--job", str(job.path)]) == CHANGED


def test_a_job_put_back_to_an_earlier_state_is_found_by_its_report(job: JobFolder, tmp_path: Path):
    earlier = shutil.copytree(job.path, tmp_path / "earlier")
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="it knocks")))
    path = shutil.copy(report(job, "report.html"), tmp_path)
    assert seal_of(JobFolder(earlier)).state == "sealed"  # by itself nothing shows it
    found = run_here(verify_report(Path(path), JobFolder(earlier)))
    assert "is not the one that this report was made with" in found.problems[0]


def test_a_report_with_a_changed_job_names_what_changed(job: JobFolder):
    path = report(job, "report.html")
    spoil(job)
    assert any("note of" in text for text in run_here(verify_report(path, job)).problems)


def test_a_report_of_a_changed_job_says_so_at_its_top(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
):
    spoil(job)
    out = job.path / "r.html"
    assert main(["report", str(job.path), "--out", str(out)]) == CHANGED
    assert "was CHANGED since it was sealed" in " ".join(capsys.readouterr().out.split())


def test_other_files_are_no_reports(job: JobFolder, tmp_path: Path):
    (tmp_path / "x.pdf").write_bytes(b"%PDF-1.7")
    with pytest.raises(UsageError, match="says nothing of a ledger"):
        run_here(verify_report(tmp_path / "x.pdf", job))
    with pytest.raises(UsageError, match="cannot be read as a report"):
        run_here(verify_report(tmp_path / "none.pdf", job))
    assert main(["verify", str(tmp_path / "x.pdf")]) == 3


def test_a_private_report_says_nothing_of_the_ledger(job: JobFolder):
    path = job.path / "private.html"
    run_here(WriteReport(job, job.load(), path, ReportOptions(private=True)))
    assert mark_in(path.read_bytes()) is None
    assert seal_of(job).head.encode() not in path.read_bytes()


# --- the key ---


def test_the_key_is_shown_copied_and_put_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert main(["key", "show"]) == 0
    first = re.search(r"Fingerprint: (.*)", capsys.readouterr().out)
    assert first is not None
    assert main(["key", "backup", str(tmp_path / "key.pem")]) == 0
    assert main(["key", "backup", str(tmp_path / "key.pem")]) == 3  # nothing is overwritten
    Keys().file.unlink()
    assert main(["key", "restore", str(tmp_path / "key.pem")]) == 0
    assert first[1] in capsys.readouterr().out
    (tmp_path / "text.pem").write_text("no key", encoding="utf-8")
    assert main(["key", "restore", str(tmp_path / "text.pem")]) == 3
