"""Journals damaged at random and recovered: what is sound comes back, and nothing else.

`python tests/campaigns/journal_damage.py [RUNS] [SEED]` prints the figures; exit code 1 where a
limit is missed. Sound is a frame whose bytes are whole somewhere in the damaged file: that is found
by searching for them, not by the program's own reader.
"""

from __future__ import annotations

import itertools
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event, Facts, SignalFacts
from logbench.recording.reader import open_recording
from logbench.recording.recovery import recover

RUNS, SEED = 5000, 20
LEAST_BACK = 0.99
JOURNALS = 40
"""Different ones; each is damaged again and again."""
Sample = tuple[str, str, int, float]


@dataclass
class Written:
    """A journal before it is damaged."""

    data: bytes
    frames: list[tuple[bytes, list[Sample]]]
    """Bytes of each frame, and the samples in it."""


def write(folder: Path, rng: random.Random) -> Written:
    """A journal of a drive of random length and batches; every sample has a value of its own."""
    writer = JournalWriter(journal_path(folder / "a.parquet"), _facts(rng))
    traces = [(f"S{k}", rng.choice(["7E8", "7E9"])) for k in range(rng.randint(1, 12))]
    ends, batches = [writer.size_bytes], [[]]
    values = itertools.count()
    for batch in range(rng.randint(1, 60)):
        t_ns = batch * 400_000_000
        rows = [(*rng.choice(traces), t_ns + k, float(next(values))) for k in range(_many(rng))]
        writer.append(rows)
        if rng.random() < 0.1:
            writer.event(Event(t_ns=t_ns, kind="marker", text=f"marker {batch}"))
        if rng.random() < 0.02:
            writer.update_facts(_facts(rng))
        writer.flush()
        ends.append(writer.size_bytes)
        batches.append(rows)
    if rng.random() < 0.5:
        writer.seal()
        ends.append(writer.size_bytes)
        batches.append([])
    writer.close()
    data = writer.path.read_bytes()
    writer.path.unlink()
    pieces = [data[a:b] for a, b in itertools.pairwise([0, *ends])]
    return Written(data, list(zip(pieces, batches, strict=True)))


def _facts(rng: random.Random) -> Facts:
    signals = {f"S{k}": SignalFacts(unit="rpm") for k in range(rng.randint(0, 30))}
    return Facts(recording_id=f"{rng.getrandbits(128):032x}", signals=signals)


def _many(rng: random.Random) -> int:
    return round(2 ** rng.uniform(0, 8))


# --- kinds of damage ---


def _part(rng: random.Random, data: bytes) -> tuple[int, int]:
    """Start and end of a random run, mostly short, at most a fifth of the file."""
    length = max(1, round(len(data) / 5 * rng.random() ** 4))
    start = rng.randrange(max(1, len(data) - length))
    return start, start + length


def bit(rng: random.Random, data: bytes) -> bytes:
    """One bit turned over."""
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def byte(rng: random.Random, data: bytes) -> bytes:
    """Another byte."""
    at = rng.randrange(len(data))
    return data[:at] + bytes([(data[at] + rng.randint(1, 255)) % 256]) + data[at + 1 :]


def zeros(rng: random.Random, data: bytes) -> bytes:
    """A run of zeros: a block that never reached the disk."""
    start, end = _part(rng, data)
    return data[:start] + bytes(end - start) + data[end:]


def rubbish(rng: random.Random, data: bytes) -> bytes:
    """A run of anything."""
    start, end = _part(rng, data)
    return data[:start] + rng.randbytes(end - start) + data[end:]


def cut_out(rng: random.Random, data: bytes) -> bytes:
    """A piece is missing."""
    start, end = _part(rng, data)
    return data[:start] + data[end:]


def doubled(rng: random.Random, data: bytes) -> bytes:
    """A piece stands there twice, the second time anywhere."""
    start, end = _part(rng, data)
    at = rng.choice([end, rng.randrange(len(data))])
    return data[:at] + data[start:end] + data[at:]


def swapped(rng: random.Random, data: bytes) -> bytes:
    """Two neighboring pieces have changed places."""
    start, end = _part(rng, data)
    middle = rng.randint(start, end)
    return data[:start] + data[middle:end] + data[start:middle] + data[end:]


def truncated(rng: random.Random, data: bytes) -> bytes:
    """Its end is missing; sometimes there are zeros in its place."""
    end = rng.randrange(1, len(data))
    return data[:end] + bytes(rng.choice([0, len(data) - end, 5000]))


KINDS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    bit, byte, zeros, rubbish, cut_out, doubled, swapped, truncated,
)  # fmt: skip


# --- what becomes of it ---


@dataclass
class Tally:
    """Of many runs."""

    runs: Counter[str] = field(default_factory=Counter)
    sound: Counter[str] = field(default_factory=Counter)
    """Samples in sound frames, by kind of damage."""
    back: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    """A sample that was never written, or twice; a count that is not right; something not said."""

    @property
    def share(self) -> float:
        """Of the samples in sound frames that came back."""
        return sum(self.back.values()) / max(1, sum(self.sound.values()))


def run(folder: Path, written: Written, kind: str, damaged: bytes, tally: Tally) -> None:
    """Recover one damaged journal in an empty folder, and judge what came of it."""
    path = journal_path(folder / "a.parquet")
    path.write_bytes(damaged)
    sound = [samples for frame, samples in written.frames if frame in damaged]
    expected = {sample for samples in sound for sample in samples}
    (outcome,) = recover(folder)
    found = _samples(outcome.path)
    tally.runs[kind] += 1
    tally.sound[kind] += len(expected)
    tally.back[kind] += len(expected & set(found))
    where = f"{kind}, run {tally.runs.total()}"
    if len(set(found)) != len(found) or not set(found) <= expected:
        tally.wrong.append(f"{where}: samples that never were")
    written_now = [k for k, (frame, _) in enumerate(written.frames) if frame in damaged]
    lost = sum(len(samples) for _, samples in written.frames[: max(written_now, default=-1) + 1])
    lost -= len(expected)
    if lost and (outcome.kind != "left" or path.read_bytes() != damaged):
        tally.wrong.append(f"{where}: {lost} samples are lost, and the journal is gone")
    if lost and outcome.path is not None and _told(outcome.path) != lost:
        tally.wrong.append(f"{where}: {lost} samples are lost, {_told(outcome.path)} are told")
    if outcome.kind == "foreign" and expected:
        tally.wrong.append(f"{where}: taken for somebody else's")


def _samples(path: Path | None) -> list[Sample]:
    if path is None:
        return []
    return [
        (trace.signal, trace.ecu, t_ns, value)
        for trace in open_recording(path).traces()
        for t_ns, value in zip(trace.t_ns.tolist(), trace.value.tolist(), strict=True)
    ]


def _told(path: Path) -> int:
    """Samples that the recording's gaps say are lost, but for those of a torn end."""
    texts = [event.text for event in open_recording(path).facts.events if event.kind == "gap"]
    return sum(int(t.split()[0].replace(",", "")) for t in texts if " samples lost up to " in t)


def campaign(runs: int, seed: int) -> Tally:
    """So many runs, the kinds of damage in turn."""
    rng, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as name:
        journals = [write(Path(name), rng) for _ in range(min(runs, JOURNALS))]
    for number in range(runs):
        kind = KINDS[number % len(KINDS)]
        written = rng.choice(journals)
        with tempfile.TemporaryDirectory() as name:
            run(Path(name), written, kind.__name__, kind(rng, written.data), tally)
    return tally


def main() -> int:
    """Print the figures; 0 when the limits hold."""
    runs, seed = (int(a) for a in (*sys.argv[1:], *(str(RUNS), str(SEED))[len(sys.argv) - 1 :]))
    tally = campaign(runs, seed)
    for kind in tally.runs:
        print(
            f"{kind:10} {tally.runs[kind]:5} runs: {tally.back[kind]:9,} of {tally.sound[kind]:9,} "
            "samples in sound frames came back"
        )
    print(f"{tally.share:.4%} of all; wrong: {len(tally.wrong)}")
    print(*tally.wrong[:20], sep="\n")
    return 0 if tally.share >= LEAST_BACK and not tally.wrong else 1


if __name__ == "__main__":
    sys.exit(main())
