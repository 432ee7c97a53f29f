"""Long work says how far it is, ends when it is told to, leaves nothing half, and says what it did
not touch: exports, imports, copies; by a call, and by Ctrl-C in the terminal."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np
import pytest

from logbench.archive.archive import Archive
from logbench.cases.archive import AddRecordings, ExportArchive
from logbench.cases.handover import HandOver
from logbench.cases.importing import ImportFiles
from logbench.cases.recording import ExportRecording
from logbench.cases.work import CancelledError, Case, Work
from logbench.cli import show
from logbench.cli.main import main
from logbench.job.ledger import LEDGER_FILE
from logbench.recording.export import Selection
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace, signal_facts
from logbench.report.options import ReportOptions
from tests.job.sealed import sealed_job

NS = 10**9


@pytest.fixture
def long(tmp_path: Path) -> Path:
    """60,000 samples of two signals."""
    t_ns = np.arange(60_000, dtype=np.int64) * NS // 10
    traces = [Trace(s, "7E8", "", t_ns, np.arange(60_000.0)) for s in ("RPM", "MAF")]
    return write_recording(tmp_path / "long.parquet", traces, Facts(signals=signal_facts(("RPM",))))


def log(path: Path, drives: int = 1, rows: int = 25_000) -> Path:
    """Another program's file, its drives an hour apart."""
    lines = [
        f"{(drive * rows + k) * 0.1 + 3600 * drive:.1f},{700 + k % 900 + drive}"
        for drive in range(drives)
        for k in range(rows)
    ]
    path.write_text("time (s),rpm\n" + "\n".join(lines))
    return path


def canceled(case: Case, when: float) -> Work:
    """Work that is canceled as soon as so much is done."""
    work = Work(None, case.canceling)
    work.reported = lambda _, share: work.cancel() if share >= when else None
    return work


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


# --- exports ---


@pytest.mark.parametrize(
    ("name", "layout", "step_s"),
    [("a.csv", "wide", None), ("a.csv", "wide", 0.05), ("a.csv", "long", None),
     ("a.parquet", "wide", None)],
)  # fmt: skip
def test_it_says_how_far_it_is(long, tmp_path, name, layout, step_s):
    told: list[float] = []
    case = ExportRecording(long, tmp_path / name, Selection(), layout, step_s)
    made = case.run(Work(lambda _, share: told.append(share), case.canceling))
    assert made.exists()
    assert len(told) >= (3 if name.endswith("parquet") else 6)
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.parametrize(("name", "when"), [("a.csv", 0.6), ("a.csv", 1.0), ("a.parquet", 0.3),
                                            ("a.parquet", 1.0)])  # fmt: skip
def test_canceled_it_leaves_no_file_and_says_so(long, tmp_path, name, when):
    """Up to the moment at which the file gets its name."""
    case = ExportRecording(long, tmp_path / name, Selection())
    with pytest.raises(CancelledError):
        case.run(canceled(case, when))
    assert names(tmp_path) == ["long.parquet"]
    assert f"{name} was not written, and long.parquet is as it was" in case.untouched()


def test_of_a_job_for_third_parties_neither_zip_nor_ledger_is_touched(tmp_path):
    folder = sealed_job(tmp_path)
    before = (folder.path / LEDGER_FILE).read_bytes()
    case = HandOver(folder, tmp_path / "out.zip", ReportOptions())
    told: list[float] = []
    work = canceled(case, 0.5)
    cancel, work.reported = work.reported, lambda text, share: told.append(share)
    work.reported = lambda text, share: (told.append(share), cancel(text, share))
    with pytest.raises(CancelledError):
        case.run(work)
    assert told == sorted(told)
    assert len(told) >= 3
    assert not case.out.exists()
    assert (folder.path / LEDGER_FILE).read_bytes() == before
    assert "out.zip was not written" in case.untouched()


def test_copies_out_of_an_archive_end_between_two_files(long, tmp_path):
    (tmp_path / "archive").mkdir()
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    added = AddRecordings(archive, (long,)).run(Work(None, "keep"))
    assert [(one.file, one.new) for one in added.added] == [(long, True)]
    case = AddRecordings(archive, (long, long))
    account = case.run(canceled(case, 0.5))
    assert account.sentence == "0 recordings added, 2 not."
    account = case.run(canceled(case, 0.0))
    assert account.sentence == "0 recordings added, 1 not, 1 not touched."
    archive.refresh()
    out = ExportArchive(archive, tmp_path / "out")
    account = out.run(canceled(out, 0.0))
    assert (account.made, account.untouched) == ([], 1)
    assert account.sentence.endswith("1 not touched.")
    assert names(tmp_path / "out") == []


# --- imports ---


def test_one_long_import_says_how_far_it_is_and_stops_within_the_file(tmp_path):
    told: list[float] = []
    case = ImportFiles(tmp_path / "out", [log(tmp_path / "a.csv")], memory=tmp_path)
    account = case.run(Work(lambda _, share: told.append(share), case.canceling))
    assert len(account.made) == 1
    assert told == sorted(told)
    assert sum(0.0 < share < 0.6 for share in told) >= 2
    case = ImportFiles(tmp_path / "again", case.files, memory=tmp_path)
    account = case.run(canceled(case, 0.2))
    assert account.sentence == "0 recordings from 0 files; 0 not imported; 1 not touched."
    assert names(tmp_path / "again") == []


def test_of_a_file_of_several_drives_all_are_there_or_none(tmp_path):
    case = ImportFiles(tmp_path / "out", [log(tmp_path / "a.csv", 3, 40)], memory=tmp_path)
    written: list[list[str]] = []
    work = canceled(case, 0.95)
    cancel = work.reported
    work.reported = lambda text, share: (written.append(names(tmp_path / "out")), cancel("", share))
    account = case.run(work)
    assert ["a-01.parquet"] in written
    assert (account.untouched, account.made, names(tmp_path / "out")) == (1, [], [])


# --- the terminal ---


@pytest.fixture
def pressed(monkeypatch):
    """Ctrl-C, as often as given, as soon as so much of a work is done, or it is too late."""

    def at(when: float, times: int = 1) -> None:
        left = [times]

        def press() -> None:
            while left[0]:
                left[0] -= 1
                os.kill(os.getpid(), signal.SIGINT)

        class Pressed(Work):
            def report(self, text: str, share: float = 0.0) -> None:
                if share >= when:
                    press()
                super().report(text, share)

            def seal(self) -> None:
                super().seal()
                press()

        monkeypatch.setattr(show, "Work", Pressed)

    before = signal.getsignal(signal.SIGINT)
    yield at
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.parametrize("name", ["out.csv", "out.parquet"])
def test_ctrl_c_says_what_was_not_touched(long, tmp_path, pressed, capsys, name):
    pressed(0.3)
    assert main(["export", str(long), "--out", str(tmp_path / name)]) == 130
    said = capsys.readouterr().err
    assert f"{name} was not written" in said
    assert "long.parquet is as it was" in said
    assert names(tmp_path) == ["long.parquet"]


def test_ctrl_c_when_all_is_written_comes_too_late(long, tmp_path, pressed, capsys):
    pressed(2.0)
    assert main(["export", str(long), "--out", str(tmp_path / "out.csv")]) == 0
    assert "Exported" in capsys.readouterr().out
    assert names(tmp_path) == ["long.parquet", "out.csv"]


def test_ctrl_c_once_ends_an_import_with_what_is_there(tmp_path, pressed, capsys):
    pressed(0.6)
    files = [str(log(tmp_path / f"{n}.csv", rows=60 + n)) for n in range(3)]
    assert main(["import", *files, "--yes", "--into", str(tmp_path / "out")]) == 130
    said = capsys.readouterr()
    assert "Ctrl-C again stops at once" in said.err
    assert "1 recording from 1 file; 0 not imported; 2 not touched." in said.out
    assert names(tmp_path / "out") == ["0.parquet"]


def test_ctrl_c_twice_ends_it_at_once(tmp_path, pressed, capsys):
    pressed(0.6, times=2)
    files = [str(log(tmp_path / f"{n}.csv", rows=60 + n)) for n in range(3)]
    assert main(["import", *files, "--yes", "--into", str(tmp_path / "out")]) == 130
    said = capsys.readouterr()
    assert "what was imported is whole" in said.err
    assert "not touched" not in said.out
    assert names(tmp_path / "out") == ["0.parquet"]
