"""What stays of a job in a copy for third parties; the whole of it: `tests/test_handover.py`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from logbench.job.folder import JobFolder, create_job
from logbench.job.shortened import Shortener, shortened_copy
from logbench.recording.exchanges import Said
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording


def test_of_what_stands_within_another_the_longer_one_is_shortened(job: JobFolder):
    short = Shortener.of(job, job.load())
    assert short.text("Ada wrote from ada@example.invalid") == "A. wrote from …"
    assert short.text("of ZZ9TEST170X000001") == f"of ZZ9TEST170X{'*' * 6}"
    assert short.text("the Blue van of ADA EXAMPLE") == "the B. v. of A. E."


def test_raw_exchanges_stay_behind(tmp_path: Path):
    folder, job = create_job(tmp_path, "car")
    trace = Trace("RPM", "7E8", "rpm", np.array([0, 1_000_000_000]), np.array([800.0, 810.0]))
    told = Said(-5, -4, "", b"\x09\x02", "7E8", b"\x49\x02\x01ZZ9TEST170X000001")
    drive = write_recording(tmp_path / "a.parquet", [trace], Facts(), [told])
    assert open_recording(drive).facts.exchanges is not None
    folder.add_recording(job, drive, "before")
    folder.save(job)
    copy = shortened_copy(folder, tmp_path / "copy")
    path = copy.place(copy.load().recordings[0].file)
    assert open_recording(path).facts.exchanges is None
    assert b"ZZ9TEST170X000001" not in path.read_bytes()
