"""A recording read by other programs' readers of Parquet, every sample held against ours.

    python tests/recording/elsewhere.py [RECORDING]

exports it as it is and plain, and says which reader gives what was recorded. Those that are not
installed are passed over; Spark needs `pip install pyspark` and Java, and is in no lock.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow.parquet as pq

from logbench.recording.export import export_parquet
from logbench.recording.reader import open_recording

COLUMNS = ["signal", "ecu", "t", "value"]


def by_pandas(file: Path, engine: str) -> pd.DataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas 4 will have one engine only
        return pd.read_parquet(file, engine=engine)


def by_polars(file: Path) -> pd.DataFrame:
    import polars

    rows = polars.read_parquet(file)
    return pd.DataFrame({name: rows[name].to_list() for name in rows.columns})


def by_fastparquet(file: Path) -> pd.DataFrame:
    import fastparquet

    with file.open("rb") as opened:
        return fastparquet.ParquetFile(opened).to_pandas()


def by_spark(file: Path) -> pd.DataFrame:
    from pyspark.sql import SparkSession

    quiet = {"spark.ui.enabled": "false", "spark.ui.showConsoleProgress": "false"}
    session = SparkSession.builder.master("local[1]").config(map=quiet)
    rows: list[Any] = session.getOrCreate().read.parquet(str(file)).collect()
    return pd.DataFrame([tuple(row) for row in rows], columns=COLUMNS)


READERS: dict[str, tuple[str, Callable[[Path], pd.DataFrame]]] = {
    "pyarrow": ("pyarrow", lambda file: pq.read_table(file).to_pandas()),
    "pandas, engine pyarrow": ("pandas", lambda file: by_pandas(file, "pyarrow")),
    "pandas, engine fastparquet": ("fastparquet", lambda file: by_pandas(file, "fastparquet")),
    "fastparquet": ("fastparquet", by_fastparquet),
    "DuckDB": ("duckdb", lambda file: duckdb.read_parquet(str(file)).df()),
    "polars": ("polars", by_polars),
    "Spark": ("pyspark", by_spark),
}
"""Name to the package that it needs, and how it reads all of a file."""


def ours(file: Path) -> pd.DataFrame:
    parts = [
        pd.DataFrame({"signal": t.signal, "ecu": t.ecu, "t": t.t_ns, "value": t.value})
        for t in open_recording(file).traces()
    ]
    return _ordered(pd.concat(parts))


def _ordered(rows: pd.DataFrame) -> pd.DataFrame:
    made = pd.DataFrame({name: rows[name].to_numpy() for name in COLUMNS})
    made = made.astype({"signal": str, "ecu": str, "t": "int64", "value": "float64"})
    return made.sort_values(COLUMNS[:3], kind="stable").reset_index(drop=True)


def wrong(reader: str, file: Path) -> str:
    """What a reader makes of it that was not recorded; empty where it reads all."""
    try:
        found = _ordered(READERS[reader][1](file))
    except Exception as error:
        return f"{type(error).__name__}: {str(error)[:80]}"
    expected = ours(file)
    if len(found) != len(expected):
        return f"{len(found):,} samples instead of {len(expected):,}"
    others = [name for name in COLUMNS if not found[name].equals(expected[name])]
    return f"other values in {', '.join(others)}" if others else ""


def main() -> int:
    source = Path(sys.argv[1] if len(sys.argv) > 1 else "recordings/before.parquet")
    with tempfile.TemporaryDirectory() as folder:
        plain = export_parquet(open_recording(source), Path(folder, "plain.parquet"), plain=True)
        for file in (source, plain):
            print(f"{file.name}, {file.stat().st_size:,} bytes")
            for reader, (package, _) in READERS.items():
                there = importlib.util.find_spec(package) is not None
                version = __import__(package).__version__ if there else ""
                told = (wrong(reader, file) or "as recorded") if there else "not installed"
                print(f"  {reader} {version}: {told}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
