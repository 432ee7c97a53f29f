"""Finishing and reading a four-hour recording of 30 signals, and the size of the file.

`python tests/benchmarks/bench_recording.py` prints the figures as ratios to what one would do
without this format: CSV, and a default time-ordered Parquet. Exit code 1 when a limit is missed:
under 3 s and 500 MB to finish, at most 4.0 bytes a sample, and at most twice that with what was
exchanged with the car.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from logbench.recording.exchanges import Said
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from logbench.signals.table import table
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce

HOURS = 4.0
SIGNALS = 30
LAP_S = 1800.0
BATCH_S = 0.4
PACK = 6
"""Samples a request."""
RUNS = 3
"""Of finishing; the best counts, others share the machine."""
LIMIT_S, LIMIT_MB, LIMIT_BYTES, LIMIT_TIMES = 3.0, 500.0, 4.0, 2.0


def drive_traces() -> list[Trace]:
    """Four hours at 10 Hz: the WLTC driven again and again, each time with other noise."""
    parts: dict[tuple[str, str], list[tuple[np.ndarray, np.ndarray]]] = {}
    for lap in range(round(HOURS * 3600 / LAP_S)):
        drive = Drive(draw_car(5), None, schedule("wltc"), seed=lap)
        readings = drive.readings("7E8")
        names = [s.acronym for s in table() if s.acronym in readings and s.kind == "number"]
        names = [a for a in names if table().by_acronym(a).pid in drive.supported("7E8")][:SIGNALS]
        rates_hz = dict.fromkeys(names, 10.0)
        for key, (t_ns, values) in produce(drive, names, rates_hz, seed=lap, for_s=LAP_S).items():
            parts.setdefault(key, []).append((t_ns + int(lap * LAP_S * 1e9), values))
    return [
        Trace(*key, "", np.concatenate([p[0] for p in some]), np.concatenate([p[1] for p in some]))
        for key, some in parts.items()
    ]


def exchanges_of(traces: list[Trace], number: np.ndarray, t_ns: np.ndarray, value: np.ndarray):
    """One request for every `PACK` samples, with a reply as long as the car's and as lively."""
    signals = [table().by_acronym(trace.signal) for trace in traces]
    raw = (np.nan_to_num(np.abs(value)) * 4).astype(np.int64) & 0xFF
    for at in range(0, len(number) - PACK, PACK):
        asked = {
            signals[n].pid: held.to_bytes(signals[n].length, "little")
            for n, held in zip(number[at : at + PACK], raw[at : at + PACK].tolist(), strict=True)
        }
        data = b"\x41" + b"".join(bytes((pid,)) + held for pid, held in asked.items())
        request, middle_ns = bytes((0x01, *asked)), int(t_ns[at])
        half_ns = 9_000_000 + hash(middle_ns) % 1_000_000
        yield Said(middle_ns - half_ns, middle_ns + half_ns, "", request, "7E8", data)


def write_journal(path: Path, traces: list[Trace], *, exchanges: bool) -> int:
    """As the capture process does, but without waiting for the disk. Returns the samples."""
    t_ns = np.concatenate([trace.t_ns for trace in traces])
    value = np.concatenate([trace.value for trace in traces])
    number = np.repeat(np.arange(len(traces)), [len(trace) for trace in traces])
    order = np.argsort(t_ns, kind="stable")
    writer = JournalWriter(journal_path(path), Facts(recording_id="bench"))
    cuts = np.searchsorted(t_ns[order], np.arange(0, int(t_ns.max()), int(BATCH_S * 1e9)))
    fsync, os.fsync = os.fsync, lambda _: None  # type: ignore[assignment]
    for part in np.split(order, cuts[1:]):
        writer.append(
            (traces[n].signal, traces[n].ecu, t, v)
            for n, t, v in zip(number[part], t_ns[part].tolist(), value[part].tolist(), strict=True)
        )
        if exchanges:
            writer.exchanges(exchanges_of(traces, number[part], t_ns[part], value[part]))
        writer.flush()
    os.fsync = fsync
    writer.close()
    return len(t_ns)


_FINISH = """
import sys, time
from pathlib import Path
from logbench.recording.finish import finish
began, used = time.perf_counter(), time.process_time()
finish(Path(sys.argv[1]))
wall_s, used = time.perf_counter() - began, time.process_time() - used
status = dict(line.split(":") for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(wall_s, used, int(status["VmHWM"].split()[0]) / 1024)
"""


def finish_apart(journal: Path) -> tuple[float, float, float]:
    """Seconds, processor seconds and peak resident MB of finishing in a fresh process.

    Imports are not counted in the times. Memory is Linux' VmHWM, proc(5): the resource usage of a
    child process would begin with its parent's.
    """
    done = subprocess.run(
        [sys.executable, "-c", _FINISH, str(journal)], capture_output=True, text=True, check=True
    )
    seconds, used, megabytes = map(float, done.stdout.split())
    return seconds, used, megabytes


def timed(what: Callable[[], object], times: int = 5) -> float:
    """Best of some runs, seconds."""
    best = float("inf")
    for _ in range(times):
        began = time.perf_counter()
        what()
        best = min(best, time.perf_counter() - began)
    return best


def main() -> int:
    """Print the figures; 0 when all limits hold."""
    traces = drive_traces()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        out = folder / "drive.parquet"
        write_journal(out, traces, exchanges=False)
        seconds_bare, _, _ = finish_apart(journal_path(out))
        bare = out.stat().st_size
        out.unlink()
        samples = write_journal(out, traces, exchanges=True)
        journal_mb = journal_path(out).stat().st_size / 1e6
        journal = journal_path(out).read_bytes()
        runs = []
        for _ in range(RUNS):
            out.unlink(missing_ok=True)
            journal_path(out).write_bytes(journal)
            runs.append(finish_apart(journal_path(out)))
        seconds, used, megabytes = min(runs)
        frame = pq.read_table(out).sort_by("t")
        pa.csv.write_csv(frame, folder / "naive.csv")
        pq.write_table(frame, folder / "default.parquet")
        size = {p.name: p.stat().st_size / samples for p in folder.iterdir()}
        own = timed(lambda: open_recording(out).trace("RPM"))
        filters = [("signal", "=", "RPM")]
        default = timed(lambda: pq.read_table(folder / "default.parquet", filters=filters))
        csv = timed(lambda: pa.csv.read_csv(folder / "naive.csv"), 1)
    print(f"{samples / 1e6:.2f} million samples, journal {journal_mb:.0f} MB")
    print(f"finish: {seconds:.2f} s ({used:.2f} s of processor time), peak {megabytes:.0f} MB")
    bytes_each, times = bare / samples, size["drive.parquet"] * samples / bare
    print(
        f"size: {bytes_each:.2f} bytes a sample; CSV {size['naive.csv'] / bytes_each:.1f} times, "
        f"default Parquet {size['default.parquet'] / bytes_each:.1f} times as much"
    )
    print(f"with exchanges {times:.2f} times; without, finishing takes {seconds_bare:.2f} s")
    print(
        f"one trace: {own * 1e3:.1f} ms; filtered default Parquet {default / own:.0f} times, "
        f"whole CSV {csv / own:.0f} times as long"
    )
    good = seconds < LIMIT_S and megabytes < LIMIT_MB and bytes_each <= LIMIT_BYTES
    good = good and times <= LIMIT_TIMES
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
