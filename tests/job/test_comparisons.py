"""Comparisons kept in a job: sides by role or name, replaced by the same sides, in the report."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.cli.main import main
from logbench.errors import UsageError
from logbench.job.comparisons import (
    chosen_sides,
    keep_comparison,
    missing_sides,
    sides_by_role,
    sides_named,
)
from logbench.job.folder import create_job, open_job
from logbench.job.model import Job, RecordingEntry
from logbench.job.timeline import timeline

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


def bare_job(tmp_path: Path):
    """Entries without files: nothing here opens them."""
    folder, job = create_job(tmp_path, "visit")
    for name, role in (("a", "before"), ("b", "before"), ("c", "after"), ("d", "other")):
        job.recordings.append(RecordingEntry(file=f"recordings/{name}.parquet", role=role))
    return folder, job


def test_sides_by_role_and_by_name(tmp_path: Path):
    folder, job = bare_job(tmp_path)
    a, b, c, d = (f"recordings/{name}.parquet" for name in "abcd")
    assert sides_by_role(job) == ((a, b), (c,))
    assert chosen_sides(folder, job, [], []) == (
        [folder.place(a), folder.place(b)],
        [folder.place(c)],
    )
    assert chosen_sides(folder, job, [Path("d.parquet")], [])[0] == [folder.place(d)]
    # by their full path, and by the path in the job
    assert sides_named(folder, job, [folder.place(a)], [Path(c)]) == ((a,), (c,))
    outside = tmp_path / "a.parquet"
    assert sides_named(folder, job, [outside], [Path(c)]) is None
    assert sides_named(folder, job, [], [Path(c)]) is None
    with pytest.raises(UsageError, match="Name recordings of the job"):
        chosen_sides(folder, job, [outside], [])


def test_a_missing_side_is_a_sentence(tmp_path: Path):
    folder, job = bare_job(tmp_path)
    assert missing_sides(sides_by_role(job)) == ""
    assert "role before and none with the role after" in missing_sides(sides_by_role(Job()))
    job.recordings = job.recordings[:2]
    with pytest.raises(UsageError, match="no recording with the role after yet"):
        chosen_sides(folder, job, [], [])


def test_the_same_sides_again_replace_what_was_kept(tmp_path: Path):
    folder, job = bare_job(tmp_path)
    a, b, c = (f"recordings/{name}.parquet" for name in "abc")
    keep_comparison(job, ((a,), (c,)), "First.", label="at the lights")
    keep_comparison(job, ((b,), (c,)), "Other.")
    keep_comparison(job, ((a,), (c,)), "Second.", same_car=True)
    folder.save(job)
    _, again = open_job(folder.path)
    assert [(x.sentence, x.label, x.same_car) for x in again.comparisons] == [
        ("Other.", "", False),
        ("Second.", "at the lights", True),
    ]
    assert all(x.at_utc for x in again.comparisons)
    told = [moment for moment in timeline(again, folder) if moment.kind == "comparison"]
    assert [moment.text for moment in told] == ["Other.", "at the lights. Second."]
    assert told[0].file == "b.parquet → c.parquet"
    assert all(moment.when is not None for moment in told)


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    folder = tmp_path / "visit"
    assert main(["job", "new", str(folder)]) == 0
    assert main(["job", "add", str(folder), str(RECORDINGS / "before.parquet"),
                 "--role", "before"]) == 0  # fmt: skip
    capsys.readouterr()
    assert main(["job", "compare", str(folder)]) == 3
    assert "no recording with the role after" in capsys.readouterr().err
    assert main(["job", "add", str(folder), str(RECORDINGS / "after.parquet"),
                 "--role", "after"]) == 0  # fmt: skip
    assert main(["job", "compare", str(folder), "--label", "hose renewed"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Resolved: fuel trim" in out
    assert out.endswith("Kept in the job.")
    _, job = open_job(folder)
    (entry,) = job.comparisons
    assert entry.label == "hose renewed"
    assert "Resolved: fuel trim" in entry.sentence
    # the same recording on both sides is refused, and nothing is kept
    assert main(["job", "compare", str(folder), "--before", "after.parquet"]) == 3
    assert len(open_job(folder)[1].comparisons) == 1


def test_a_comparison_is_told_in_the_report(demo_job):
    from logbench.report.document import make_document
    from logbench.report.gather import gather
    from logbench.report.options import ReportOptions

    folder, job = demo_job
    sides = sides_by_role(job)
    keep_comparison(job, sides, "What was said on the day.", label="hose")
    material = gather(folder, job, ReportOptions())
    assert material.comparison is not None
    text = " ".join(getattr(block, "text", "") for block in make_document(material).blocks)
    assert "Compared: recordings/before.parquet before with recordings/after.parquet" in text
    assert "It said then: What was said on the day." in text

    # a file that was taken out of the job is told, never left out in silence
    entry = job.comparisons[-1]
    entry.after = ["recordings/gone.parquet"]
    material = gather(folder, job, ReportOptions())
    assert material.comparison is None
    assert "it needs recordings/gone.parquet" in " ".join(material.problems)


def test_two_cars_are_not_compared_in_a_report_without_being_confirmed(demo_job):
    from logbench.car.model import Car
    from logbench.recording.finish import write_recording
    from logbench.recording.reader import open_recording
    from logbench.report.document import make_document
    from logbench.report.gather import gather
    from logbench.report.options import ReportOptions

    folder, job = demo_job
    drive = open_recording(RECORDINGS / "after.parquet")
    other = Car(vin="ZZ9TEST280X000002", displacement_l=2.3, cylinders=4)
    facts = drive.facts.model_copy(update={"recording_id": "", "vehicle": other})
    write_recording(folder.path / "recordings/other.parquet", list(drive.traces()), facts)
    job.recordings[1].file = "recordings/other.parquet"
    material = gather(folder, job, ReportOptions())
    assert material.comparison is None
    assert [drive.entry.file for drive in material.drives] == ["recordings/before.parquet"]
    (problem,) = material.problems
    assert "is not of the job's car" in problem
    assert "ZZ9TEST280X000002" in problem
    document = make_document(gather(folder, job, ReportOptions(private=True)))
    assert "ZZ9TEST280X000002" not in " ".join(document.problems)
    keep_comparison(job, sides_by_role(job), "Said.", same_car=True)
    material = gather(folder, job, ReportOptions())
    assert material.comparison is not None
    assert material.problems == []


@pytest.fixture
def demo_job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The two demo recordings alone; the report's own checks, tested elsewhere, are off."""
    monkeypatch.setattr("logbench.report.gather.run_checks", lambda *_, **__: [])
    folder, job = create_job(tmp_path, "demo")
    folder.add_recording(job, RECORDINGS / "before.parquet", "before")
    folder.add_recording(job, RECORDINGS / "after.parquet", "after")
    return folder, job
