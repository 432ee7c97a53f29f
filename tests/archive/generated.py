"""An index of drives that were never recorded, made column by column: millions in seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from logbench.archive import kept
from logbench.archive.columns import FOOTER, PROBLEMS, SIGNALS, kept_schema

SIGNALS_EACH = ("RPM", "VSS", "ECT", "MAF", "LOAD_PCT", "SHRTFT1")


def generated(
    cache: Path, by_folder: dict[str, int], seed: int = 1, *, by_time: bool = False
) -> kept.Kept:
    """Keep an index of so many drives below each folder, of any day of 2000 to 2031, or `by_time`
    each of its own part of these years."""
    rng = np.random.default_rng(seed)
    parts: list[kept.Part] = []
    for number, folder in enumerate(sorted(by_folder)):
        left = by_folder[folder]
        years = (number, number + 1) if by_time else (0, len(by_folder))
        span_s = [10**9 * year // len(by_folder) for year in years]
        while left > 0:
            count = min(left, kept.RECORDINGS_A_PART)
            left -= count
            names = [f"{folder}/{len(parts):06d}-{n:06d}.parquet" for n in range(count)]
            parts += kept.written(kept.index_folder(cache), _tables(names, rng, span_s))
    made = kept.Kept(tuple(parts))
    kept.save_kept(cache, made)
    return made


def _tables(names: list[str], rng: np.random.Generator, span_s: list[int]) -> kept.Tables:
    count = len(names)
    second = rng.integers(*span_s, count).astype("timedelta64[s]")
    started = np.datetime_as_string(np.datetime64("2000-01-01") + second, unit="s")
    text = {
        "recording": names,
        "started": started.tolist(),
        "started_utc": started.tolist(),
        "car": [f"car {n}" for n in rng.integers(0, 2000, count)],
        "recording_id": [rng.bytes(16).hex() for _ in names],
        "samples_sha256": [rng.bytes(32).hex() for _ in names],
    }
    whole = {"size_bytes": 194_000, "mtime_ns": 1, FOOTER: 9000, "samples": 45_600}
    columns = []
    for field in kept_schema():
        if field.name in text:
            columns.append(pa.array(text[field.name], pa.string()))
        elif field.name in whole or field.name == "notes_mtime_ns":
            columns.append(pa.array(np.full(count, whole.get(field.name, 0)), field.type))
        elif field.type == pa.string():
            columns.append(pa.repeat("", count))
        else:
            columns.append(pa.nulls(count, field.type))
    recordings = pa.Table.from_arrays(columns, schema=kept_schema())
    each = len(SIGNALS_EACH)
    known = {
        "recording": pa.array(names).take(np.repeat(np.arange(count), each)),
        "signal": pa.array(SIGNALS_EACH * count),
        "samples": pa.array(np.full(count * each, 6000)),
        "minimum": pa.array(rng.uniform(0, 50, count * each)),
        "maximum": pa.array(rng.uniform(50, 100, count * each)),
    }
    nothing = {f.name: pa.nulls(count * each, f.type) for f in SIGNALS}
    signals = pa.table(nothing | known).select(SIGNALS.names).cast(SIGNALS)
    return recordings, signals, pa.Table.from_batches([], PROBLEMS)
