"""Findings of every recording, kept per state of the file and version of the checks."""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import math
from collections.abc import Collection, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from logbench.analysis.statement import Text, text_from
from logbench.archive.columns import FINDINGS
from logbench.archive.days import day_of, keep_days
from logbench.archive.parts import add_part, load_parts
from logbench.archive.query import Files, Source, Sql
from logbench.archive.reading import open_entry
from logbench.archive.states import NOTHING, keep_states, stretches_of
from logbench.archive.store import Entry, Store, entries_of
from logbench.errors import LogbenchError, UsageError

if TYPE_CHECKING:
    from logbench.analysis.bands import Bands
    from logbench.analysis.model import Finding

log = logging.getLogger(__name__)


@functools.cache
def checks_version() -> str:
    """What the checks are, as 12 hexadecimal digits: another check, band or signal table gives
    another version, so that old findings are made anew."""
    digest = hashlib.sha256()
    for package in ("logbench.analysis", "logbench.signals"):
        root = Path(str(resources.files(package)))
        for path in sorted(root.rglob("*")):
            if path.suffix in {".py", ".toml", ".csv"}:
                name = path.relative_to(root).as_posix()
                digest.update(name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def version_of(bands: Bands | None) -> str:
    """The same with somebody's own bands and checks; None: the program's."""
    if bands is None:
        return checks_version()
    own = repr((sorted(bands.by_key.items()), bands.own)).encode()
    return f"{checks_version()}-{hashlib.sha256(own).hexdigest()[:12]}"


def check_entry(
    store: Store, entry: Entry, only: Collection[str] | None = None, bands: Bands | None = None
) -> list[dict[str, Any]]:
    """The findings of one recording as rows, of all checks or of `only` some; one row with
    `problem` when it cannot be checked. The first row has the drive's `states` (`states.py`), and
    where all checks are run its `day` (`days.py`). Raises `UsageError` for an unknown check."""
    from logbench.analysis.run import run_checks  # brings scipy: not for a mere listing
    from logbench.analysis.view import View

    common = entry.columns | {"version": version_of(bands)}
    try:
        view = View(open_entry(store, entry))
        findings = run_checks(view, bands, only)
        rows = [common | _row(finding) for finding in findings]
        if only is None and bands is None and rows:
            rows[0]["day"] = day_of(view, findings)
        if rows:
            rows[0]["states"] = stretches_of(view)
        return rows
    except UsageError:
        raise
    except LogbenchError as error:
        return [common | {"problem": str(error)}]
    except Exception as error:  # one odd file must not stop ten thousand; the row keeps the reason
        log.exception("checking %s", entry.path)
        return [common | {"problem": f"{entry.path} cannot be checked ({error!r})."}]


def state_entry(store: Store, entry: Entry) -> list[dict[str, Any]]:
    """Of one recording what the car was doing, without any check; one row, as `check_entry`'s."""
    from logbench.analysis.view import View

    try:
        return [entry.columns | {"states": stretches_of(View(open_entry(store, entry)))}]
    except Exception as error:  # one odd file must not stop ten thousand
        log.warning("conditions of %s: %r", entry.path, error)
        return [entry.columns | {"states": [NOTHING]}]


def _row(finding: Finding) -> dict[str, Any]:
    numbers = {k: v for k, v in finding.numbers.items() if v is None or math.isfinite(v)}
    return {
        "check": finding.check,
        "subject": finding.subject,
        "verdict": finding.verdict.value,
        "value": finding.value,
        "uncertainty": finding.uncertainty,
        "unit": finding.unit,
        "reason": finding.reason,
        "said": json.dumps(finding.reason.to_json()) if isinstance(finding.reason, Text) else "",
        "coverage": finding.coverage.value,
        "band": "" if finding.band is None else finding.band.key,
        "causes": list(finding.causes),
        "numbers": json.dumps(numbers, allow_nan=False, default=str),
        "evidence_ns": [int(x) for span in finding.evidence for x in (span.start_ns, span.end_ns)],
        "problem": "",
    }


def reason_of(row: Mapping[str, Any]) -> str:
    """The reason of a row, with its quantities where they were kept."""
    return text_from(row["said"] or "", row["reason"] or "")


def _folder(cache: Path, bands: Bands | None, only: Collection[str] | None = None) -> Path:
    """Where rows of the present version are kept: those of all checks, or of only some."""
    return cache / "findings" / "+".join([version_of(bands), *sorted(only or ())])


def load_findings(cache: Path, bands: Bands | None = None) -> pa.Table:
    """Rows kept for the present version and these bands, those of all checks first; empty where
    there are none."""
    return pa.concat_tables(load_parts(folder, FINDINGS) for folder in _folders(cache, bands))


def _folders(cache: Path, bands: Bands | None) -> list[Path]:
    """Those of the present version, that of all checks first."""
    base = _folder(cache, bands)
    return [base, *sorted(base.parent.glob(f"{base.name}+*"))]


def keep_findings(
    cache: Path,
    rows: Sequence[dict[str, Any]],
    only: Collection[str] | None = None,
    bands: Bands | None = None,
) -> None:
    """Add rows (of all checks, or of `only` some), what they say of how the cars move from drive to
    drive, and what the cars were doing. Raises `OSError`."""
    if rows:
        found = [row for row in rows if "version" in row]
        if found:
            add_part(_folder(cache, bands, only), pa.Table.from_pylist(found, FINDINGS))
        keep_days(cache, checks_version(), rows)
        keep_states(cache, checks_version(), rows)


_CURRENT = """
SELECT * EXCLUDE (place) FROM (
    SELECT f.*, row_number() OVER () AS place FROM kept f
) f SEMI JOIN recordings r USING (recording, size_bytes, mtime_ns)
QUALIFY row_number() OVER (PARTITION BY recording, "check", subject ORDER BY place) = 1
ORDER BY place
"""


def current(findings: pa.Table, views: Mapping[str, Source]) -> pa.Table:
    """Those rows whose file still has the state that was checked, by the view `recordings` among
    `views`; each finding once: a batch that a lost worker had finished may come twice."""
    if not findings.num_rows:
        return findings
    with Sql({**views, "kept": findings}) as opened:
        return opened.run(_CURRENT).cast(FINDINGS)


def current_among(
    cache: Path, views: Mapping[str, Source], recordings: Sequence[str], bands: Bands | None = None
) -> pa.Table:
    """The same of a few recordings, without reading those of all. Raises `QueryError`."""
    found = (path for folder in _folders(cache, bands) for path in sorted(folder.glob("*.parquet")))
    paths = tuple(map(str, found))
    if not paths:
        return pa.Table.from_batches([], FINDINGS)
    wanted = pa.table({"recording": pa.array(recordings, pa.string())})
    kept = Files("SELECT k.* FROM {files} k SEMI JOIN wanted USING (recording)", paths)
    with Sql({**views, "wanted": wanted, "kept": kept}) as opened:
        return opened.run(_CURRENT).cast(FINDINGS)


def states_done(
    cache: Path, only: Collection[str] | None = None, bands: Bands | None = None
) -> set[Entry]:
    """States of files that all checks have seen, or at least `only` some."""
    folders = {_folder(cache, bands), _folder(cache, bands, only)}
    return {entry for folder in folders for entry in entries_of(load_parts(folder, FINDINGS))}
