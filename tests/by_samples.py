"""What can be done with a recording, each in a child of its own with little memory to ask for."""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.overlay import By, overlay
from logbench.analysis.drive_plan import plan_from, progress_of
from logbench.analysis.run import evidence_so_far, run_checks
from logbench.analysis.view import View
from logbench.archive.archive import Archive
from logbench.archive.likeness import similar_drives
from logbench.archive.overview import preview_of
from logbench.archive.sweep import sweep_checks
from logbench.cases.review import strip_of
from logbench.errors import UsageError
from logbench.job.folder import create_job
from logbench.plot.cross import cells, pair
from logbench.plot.lines import trace_lines
from logbench.plot.time_scale import TimeScale
from logbench.recording.export import export_csv, export_parquet
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording
from logbench.report.document import build_report
from logbench.signals.numbers import time_ticks
from tests.analysis.scenes import Scene, warm_drive

DAY_NS = 86_400 * 10**9
MB = 2**20


def make(path: Path, *starts_ns: int, most: int | None = None) -> Path:
    """A drive of some minutes at each of these times; of each trace no more than `most` samples."""
    scene = Scene(warm_drive(2, 1, 2, 1), hz=2.0).trims(1)
    drive = scene.set(VPWR=14.1, MAF=12.0, LAMBDA=1.0).recording(displacement_l=2.0)
    made = []
    for trace in drive.traces():
        t_ns = np.concatenate([trace.t_ns + start for start in starts_ns])[:most]
        value = np.tile(trace.value, len(starts_ns))[:most]
        made.append(type(trace)(trace.signal, trace.ecu, trace.unit, t_ns, value))
    return write_recording(path, made, drive.facts)


def sparse(path: Path, every_ns: int, count: int) -> Path:
    """One lone sample of a few signals again and again."""
    t_ns = np.arange(count, dtype=np.int64) * every_ns
    drive = Scene(warm_drive(), hz=1.0).recording()
    made = [
        type(t)(t.signal, t.ecu, t.unit, t_ns, np.resize(t.value, count)) for t in drive.traces()
    ]
    return write_recording(
        path, [t for t in made if t.signal in ("ECT", "RPM", "VSS")], drive.facts
    )


def check(file: Path, _: Path) -> None:
    recording = open_recording(file)
    run_checks(recording)
    evidence_so_far(recording)
    progress_of(recording, plan_from([recording]))


def laid(file: Path, _: Path) -> None:
    recording = open_recording(file)
    compare([recording], [recording])
    for by in By:
        try:
            overlay(View(recording), View(recording), "RPM", by)
        except UsageError:
            assert not len(View(recording).grid) or by is not By.TIME


def export(file: Path, folder: Path) -> None:
    recording = open_recording(file)
    if recording.keys:
        export_csv(recording, folder / "clock.csv", step_s=0.5)
    export_csv(recording, folder / "wide.csv")
    export_csv(recording, folder / "long.csv", layout="long")
    export_parquet(recording, folder / "again.parquet")


def archive(file: Path, folder: Path) -> None:
    root = folder / "archive"
    root.mkdir()
    (root / "a.parquet").write_bytes(file.read_bytes())
    kept = Archive(root, folder / "cache")
    kept.refresh()
    sweep_checks(kept)
    for signal in kept.open("a.parquet").signals:
        preview_of(kept, "a.parquet", signal)
    similar_drives(kept, "a.parquet")


def report(file: Path, folder: Path) -> None:
    place, job = create_job(folder, "a drive")
    place.add_recording(job, file, "before")
    place.add_recording(job, file, "after")
    place.save(job)
    for name in ("report.html", "report.pdf"):
        build_report(place, job, folder / name)


def plot(file: Path, _: Path) -> None:
    recording = open_recording(file)
    traces = [strip_of(trace, trace.signal) for trace in recording.traces()]
    view = TimeScale()
    view.set_limits(0, recording.duration_ns)
    view.show_all()
    assert not recording.duration_ns or view.end_ns >= recording.duration_ns
    while True:
        for place, trace in enumerate(traces):
            trace_lines(trace, place, view, (100.0, 1.0), 0, view.pixels)
        assert len(time_ticks(view.start_ns / 1e9, view.end_ns / 1e9, 12)[0]) < 40
        if view.width_ns < 2e9:
            break
        view.zoom(0.1, view.low_ns)
    if len(traces) > 1:
        cells(pair(traces[0], traces[1], None, view.low_ns, view.high_ns))


TASKS: dict[str, Callable[[Path, Path], None]] = {
    task.__name__: task for task in (check, laid, export, archive, report, plot)
}


def main(file: str, folder: str, most_mb: str) -> None:
    """Prints for each task the seconds of the processor; more memory than `most_mb` fails."""
    took = {}
    for name, task in TASKS.items():
        with open("/proc/self/statm") as sizes:
            now = int(sizes.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + int(most_mb) * MB, resource.RLIM_INFINITY))
        began = time.process_time()
        task(Path(file), Path(folder))
        took[name] = round(time.process_time() - began, 2)
    print(json.dumps(took))


if __name__ == "__main__":
    main(*sys.argv[1:])
