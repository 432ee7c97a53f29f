"""Findings of every recording, kept per state of the file and version of the checks."""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import math
import uuid
from collections.abc import Iterable, Sequence
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from logbench.archive import tables
from logbench.archive.index import read_table, write_table
from logbench.archive.reading import open_entry
from logbench.archive.store import Entry, Store
from logbench.errors import LogbenchError

if TYPE_CHECKING:
    from logbench.analysis.model import Finding

log = logging.getLogger(__name__)

_PARTS_AT_MOST = 40


@functools.cache
def checks_version() -> str:
    """What the checks are, as 12 hexadecimal digits: another check, band or signal table gives
    another version, so that old findings are made anew."""
    digest = hashlib.sha256()
    for package in ("logbench.analysis", "logbench.signals"):
        for name, content in _sources(package):
            digest.update(name.encode() + b"\0" + content + b"\0")
    return digest.hexdigest()[:12]


def _sources(package: str) -> list[tuple[str, bytes]]:
    root = Path(str(resources.files(package)))
    files = [p for p in sorted(root.rglob("*")) if p.suffix in {".py", ".toml", ".csv"}]
    return [(p.relative_to(root).as_posix(), p.read_bytes()) for p in files]


def check_entry(store: Store, entry: Entry) -> list[dict[str, Any]]:
    """The findings of one recording as rows; one row with `problem` when it cannot be checked."""
    from logbench.analysis.run import run_checks  # brings scipy: not for a mere listing

    common = {
        "recording": entry.path,
        "size_bytes": entry.size,
        "mtime_ns": entry.mtime_ns,
        "version": checks_version(),
    }
    try:
        findings = run_checks(open_entry(store, entry))
    except LogbenchError as error:
        return [common | {"problem": str(error)}]
    except Exception as error:  # one odd file must not stop ten thousand; the row keeps the reason
        log.exception("checking %s", entry.path)
        return [common | {"problem": f"{entry.path} cannot be checked ({error!r})."}]
    return [common | _row(finding) for finding in findings]


def _row(finding: Finding) -> dict[str, Any]:
    from logbench.analysis.run import finding_to_dict

    plain = finding_to_dict(finding)
    band = finding.band
    return {
        "check": finding.check,
        "subject": finding.subject,
        "verdict": finding.verdict.value,
        "value": finding.value,
        "uncertainty": finding.uncertainty,
        "unit": finding.unit,
        "reason": finding.reason,
        "band": "" if band is None else band.key,
        "causes": list(finding.causes),
        "numbers": json.dumps(plain["numbers"], allow_nan=False, default=str)
        if _finite(plain["numbers"])
        else "{}",
        "evidence_ns": [int(x) for span in finding.evidence for x in (span.start_ns, span.end_ns)],
        "problem": "",
    }


def _finite(numbers: dict[str, float | None]) -> bool:
    return all(x is None or math.isfinite(x) for x in numbers.values())


def load_findings(cache: Path, version: str | None = None) -> pa.Table:
    """Rows kept for that version (None: the present one); empty where there are none."""
    folder = cache / "findings" / (version or checks_version())
    found = []
    for path in sorted(folder.glob("*.parquet")):
        try:
            found.append(read_table(path).cast(tables.FINDINGS))
        except (pa.ArrowException, OSError, ValueError) as error:
            log.warning("%s cannot be used and is left out: %s", path, error)
    return pa.concat_tables(found) if found else pa.Table.from_batches([], tables.FINDINGS)


def keep_findings(cache: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Add rows as a part of their own; many parts are joined. Raises `OSError`."""
    if not rows:
        return
    folder = cache / "findings" / str(rows[0]["version"])
    folder.mkdir(parents=True, exist_ok=True)
    parts = sorted(folder.glob("*.parquet"))
    table = pa.Table.from_pylist(list(rows), tables.FINDINGS)
    write_table(table, folder / f"{uuid.uuid4().hex}.parquet")
    if len(parts) >= _PARTS_AT_MOST:
        joined = load_findings(cache, str(rows[0]["version"]))
        old = sorted(folder.glob("*.parquet"))
        write_table(joined, folder / f"{uuid.uuid4().hex}.parquet")
        for path in old:
            path.unlink(missing_ok=True)


_CURRENT = """
SELECT * EXCLUDE (place) FROM (
    SELECT f.*, row_number() OVER () AS place FROM kept f
) f SEMI JOIN recordings r USING (recording, size_bytes, mtime_ns)
QUALIFY row_number() OVER (PARTITION BY recording, "check", subject ORDER BY place) = 1
ORDER BY place
"""


def current(findings: pa.Table, recordings: pa.Table) -> pa.Table:
    """Those rows whose file still has the state that was checked, each finding once: a batch that a
    lost worker had finished may come twice."""
    if not findings.num_rows:
        return findings
    with duckdb.connect(":memory:") as connection:
        connection.register("kept", findings)
        connection.register("recordings", recordings)
        return connection.sql(_CURRENT).to_arrow_table().cast(tables.FINDINGS)


def pending(findings: pa.Table, entries: Iterable[Entry]) -> list[Entry]:
    """Recordings without a row for their present state."""
    done = set(_states(findings))
    return [e for e in entries if (e.path, e.size, e.mtime_ns) not in done]


def _states(table: pa.Table) -> list[tuple[str, int, int]]:
    names = ("recording", "size_bytes", "mtime_ns")
    return list(zip(*(table[name].to_pylist() for name in names), strict=True))
