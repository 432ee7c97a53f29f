"""What is done in each run of the fault campaign, and how it is judged."""

from __future__ import annotations

import mmap
from pathlib import Path
from typing import Any

import numpy as np

from logbench.capture import sink as sink_module
from logbench.capture.messages import CaptureRequest, Finished
from logbench.capture.session import Session
from logbench.errors import LogbenchError
from logbench.importing.run import import_file
from logbench.job.folder import create_job, open_job
from logbench.job.store import JobStore
from logbench.recording import journal as journal_module
from logbench.recording.finish import finish, write_recording
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.reader import open_recording
from logbench.recording.recovery import recover
from tests.capture.fake_source import SIGNALS, FakeSource

Spoken = (LogbenchError, MemoryError, SystemError)
"""What window and command line say in a sentence; numpy's answer to a want of memory is sometimes
the last."""
HURRY = 20
"""So much faster than in the field a drive is written: a batch every 20 ms."""
MOST_LOST_S = 1.0 / HURRY
_INTERVAL_S = journal_module.INTERVAL_S
READS, PERIOD_S = 120, 0.003


class Scene:
    """One scenario in a folder of its own."""

    leaves_all = True
    """Whether every file that is there before must be there, unchanged, when the fault is over."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.told: dict[str, Any] = {}
        """From who does it to who judges it; lost where the former dies."""

    def prepare(self) -> None:
        """What is there before, without faults."""

    def act(self) -> str:
        """With a fault; returns what was said."""
        raise NotImplementedError

    def judge(self, said: str) -> list[str]:
        """Without faults again: what is not as it must be."""
        raise NotImplementedError

    def damaged(self) -> list[str]:
        """Finished files that are not intact."""
        found = []
        for path in [*self.folder.rglob("*.parquet"), *self.home.rglob("*.parquet")]:
            try:
                if open_recording(path).intact() is not True:
                    found.append(f"{path.name} is not intact")
            except LogbenchError as error:
                found.append(str(error))
        return found

    @property
    def home(self) -> Path:
        """The user's own folder."""
        return self.folder.parent / "home"

    def held(self) -> dict[tuple[str, str], set[tuple[int, float]]]:
        """Every sample that finished files hold, by trace; journals are recovered first."""
        for folder in [self.folder, *{path.parent for path in self.home.rglob("*.journal")}]:
            list(recover(folder))
        samples: dict[tuple[str, str], set[tuple[int, float]]] = {}
        for path in [*self.folder.rglob("*.parquet"), *self.home.rglob("*.parquet")]:
            for trace in open_recording(path).traces():
                pairs = zip(trace.t_ns.tolist(), trace.value.tolist(), strict=True)
                samples.setdefault((trace.signal, trace.ecu), set()).update(pairs)
        return samples


class _Given(FakeSource):
    """Counts its reads where a judge sees them though the process die; quick, and it ends."""

    def __init__(self, given: mmap.mmap) -> None:
        super().__init__(period_s=PERIOD_S, last=READS)
        self._given = given

    def read(self):
        readings = super().read()
        self._given[:4] = self.count.to_bytes(4, "little")
        return readings


class _Deaf:
    """A watcher."""

    dropped = 0

    def message(self, message) -> None:
        pass

    def rows(self, rows) -> None:
        pass


class Record(Scene):
    """A drive of a third of a second, a batch every 20 ms. Reading k gives k for each signal."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.given = mmap.mmap(-1, 4)

    def prepare(self) -> None:
        journal_module.INTERVAL_S = _INTERVAL_S / HURRY
        sink_module.PATIENCE_S = 1.0
        write_recording(self.folder / "drive.parquet", [_trace(50)], Facts(note="another's"))
        request = CaptureRequest("fake:", out=self.folder / "drive.parquet")
        self.session = Session(request, _Given(self.given), _Deaf())

    def act(self) -> str:
        ending = self.session.run()
        self.told = {"samples": ending.samples, "path": str(ending.path)}
        if isinstance(ending, Finished):
            return f"finished {ending}"
        return f"failed: {ending.sentence}"

    def judge(self, said: str) -> list[str]:
        breaches = self.damaged()
        if breaches:
            return breaches
        reads = int.from_bytes(self.given[:4], "little")
        whole = said.startswith("finished")
        if whole:
            recording = open_recording(self.told["path"])
            inside = sum(len(trace.t_ns) for trace in recording.traces())
            if inside != self.told["samples"]:
                breaches.append(f"{self.told['samples']} said, {inside} in the file")
            if inside != reads * len(SIGNALS) and "not in" not in said:
                breaches.append(f"{reads * len(SIGNALS)} given, {inside} in the file, no word")
        held = self.held()
        values = {s: {v for _, v in held.get((s, "7E8"), set())} for s in SIGNALS}
        lacking = {k for k in range(reads) for s in SIGNALS if float(k) not in values[s]}
        span_s = len(lacking) * PERIOD_S
        if span_s > MOST_LOST_S or (lacking and whole):
            breaches.append(f"{len(lacking)} of {reads} readings ({span_s:.2f} s) are nowhere")
        return breaches + self.damaged()


class Finish(Scene):
    """A journal becomes a recording."""

    leaves_all = False
    names: tuple[str, ...] = ("drive",)

    def prepare(self) -> None:
        for path in self.journals:
            self._journal(path)

    @property
    def journals(self) -> list[Path]:
        return [journal_path(self.folder / f"{name}.parquet") for name in self.names]

    def _journal(self, path: Path) -> None:
        writer = JournalWriter(path, Facts(recording_id=path.name))
        for k in range(0, 600, 20):
            writer.append(("RPM", "7E8", (k + n) * 1_000_000, float(k + n)) for n in range(20))
            if k == 300:
                writer.event(Event(t_ns=300_000_000, kind="marker", text="here"))
            writer.flush()
        writer.seal()
        writer.close()

    def act(self) -> str:
        return f"finished as {finish(self.journals[0])}"

    def judge(self, said: str) -> list[str]:
        breaches = self.damaged()
        if breaches:
            return breaches
        made = [*self.folder.glob("*.parquet")]
        for journal in self.journals:
            if not journal.exists() and not any(p.stem == journal.stem for p in _stems(made)):
                breaches.append(f"neither {journal.name} nor its recording is there")
        held = self.held().get(("RPM", "7E8"), set())
        lacking = {(k * 1_000_000, float(k)) for k in range(600)} - held
        if lacking:
            breaches.append(f"{len(lacking)} samples are nowhere")
        extra = len([*self.folder.glob("*.parquet")]) - len(self.journals)
        if extra:
            breaches.append(f"{extra} recordings too many or too few")
        left = [p.name for p in self.folder.iterdir() if p.suffix not in (".parquet", ".journal")]
        old = [name for name in left if not name.startswith(".")]
        return breaches + self.damaged() + [f"{name} is left behind" for name in old]


def _stems(paths: list[Path]) -> list[Path]:
    return [path.with_name(path.name.removesuffix(".parquet") + ".parquet.x") for path in paths]


class Recover(Finish):
    """Three journals lie there, and somebody's accounts."""

    names = ("one", "two", "three")

    def act(self) -> str:
        return f"recovered {list(recover(self.folder))}"


class Import(Scene):
    """A CSV of another program becomes a recording."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.csv, self.out = folder / "log.csv", folder / "in"

    def prepare(self) -> None:
        rows = [f"{k / 10:.1f},{800 + k},{k % 90}" for k in range(900)]
        text = "\n".join(["time (s),Engine RPM (rpm),Vehicle Speed (km/h)", *rows])
        self.csv.write_text(text)
        self.out.mkdir()

    def act(self) -> str:
        return f"imported {import_file(self.csv, self.out).made}"

    def judge(self, said: str) -> list[str]:
        breaches = self.damaged()
        if breaches:
            return breaches
        made = [*self.out.glob("*.parquet")]
        if said.startswith("imported") and len(made) != 1:
            breaches.append(f"imported, but there are {len(made)} files")
        again = import_file(self.csv, self.out)
        files = [*made, *again.made, *again.here]
        counts = {len(t.t_ns) for path in files for t in open_recording(path).traces()}
        if counts != {900}:
            breaches.append(f"traces of {counts} samples")
        return breaches + self.damaged()


class SaveJob(Scene):
    """A recording comes into a job, and the job is saved."""

    leaves_all = False

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.job = folder / "Test job"

    def prepare(self) -> None:
        self.drive = write_recording(self.folder / "drive.parquet", [_trace(400)], Facts())
        create_job(self.folder, "Test job")

    def act(self) -> str:
        store = JobStore()
        folder, job = open_job(self.job)
        folder.add_recording(job, self.drive, "before")
        store.commit(self.job, lambda kept: kept.recordings.extend(job.recordings))
        store.commit(self.job, lambda kept: setattr(kept, "title", "Second title"))
        return "saved"

    def judge(self, said: str) -> list[str]:
        breaches = self.damaged()
        if breaches:
            return breaches
        _, job = open_job(self.job)
        if job.title not in ("Test job", "Second title"):
            breaches.append(f"the title is {job.title!r}")
        if said == "saved" and (job.title != "Second title" or len(job.recordings) != 1):
            breaches.append("said to be saved, but it is not")
        for entry in job.recordings:
            if not (self.job / entry.file).exists():
                breaches.append(f"{entry.file} is named in the job, but not there")
        return breaches


def _trace(n: int) -> Trace:
    return Trace(
        "RPM", "7E8", "rpm", np.arange(n, dtype=np.int64) * 10**8, np.arange(n, dtype=float)
    )


SCENARIOS = {
    "record": Record,
    "finish": Finish,
    "recover": Recover,
    "import": Import,
    "job": SaveJob,
}
