"""What the jobs of an archive say, as rows of the views `jobs`, `readings` and `work`, and which
roles recordings have in them."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from logbench.archive.columns import JOBS, READINGS, ROLES, WORK, table_of
from logbench.archive.store import Listing, Problem, Store
from logbench.system.limits import JOB_BYTES
from logbench.system.reading import toml_of


def jobs_of(store: Store, listing: Listing, problems: list[Problem]) -> tuple[pa.Table, ...]:
    """All jobs, the roles of their recordings, their readings, and what was done in them."""
    rows, roles, readings, work = [], [], [], []
    for entry in listing.jobs:
        try:
            if entry.size > JOB_BYTES:
                sentence = f"{entry.path} is {entry.size / 1e6:.0f} MB long, which no job is."
                problems.append(Problem(entry.path, "enormous", sentence))
                continue
            with store.open(entry.path) as file:
                data = file.read(JOB_BYTES)
            job = toml_of(data)
            told, read = _role_rows(entry.path, job), _reading_rows(entry.path, job)
            done = _work_rows(entry.path, job)
            rows.append(_job_row(entry.path, job))
            roles += told
            readings += read
            work += done
        except (OSError, ValueError, TypeError, AttributeError):
            sentence = f"{entry.path} is not a job that can be read: correct or remove it."
            problems.append(Problem(entry.path, "damaged", sentence))
    made = ((rows, JOBS), (roles, ROLES), (readings, READINGS), (work, WORK))
    return tuple(table_of(found, schema) for found, schema in made)


def _role_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    folder = path.rpartition("/")[0]
    return [
        {"recording": f"{folder}/{one['file']}".lstrip("/"), "job": folder, "role": one["role"]}
        for one in job.get("recordings", [])
        if one.get("role") in ("before", "after") and isinstance(one.get("file"), str)
    ]


def _reading_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    names = [name for name in READINGS.names if name != "job"]
    return [
        {"job": path.rpartition("/")[0]} | {name: str(one.get(name, "")) for name in names}
        for one in job.get("readings", [])
    ]


def _work_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    folder = path.rpartition("/")[0]
    return [
        {"job": folder, "at_utc": str(one.get("at_utc", "")), "kind": str(one.get("kind", "work")),
         "text": str(one.get("text", ""))}
        for one in [*job.get("work", []), *job.get("events", [])]
    ]  # fmt: skip


def _job_row(path: str, job: dict[str, Any]) -> dict[str, Any]:
    """The few fields that are searched; `logbench.job` owns the whole schema."""
    vehicle = job.get("vehicle", {})
    notes = [str(n.get("text", "")) for n in [*job.get("notes", []), *job.get("work", [])]]
    displacement = vehicle.get("displacement_l")
    return {
        "job": path.rpartition("/")[0],
        "title": str(job.get("title", "")),
        "created_utc": str(job.get("created_utc", "")),
        "car": str(vehicle.get("label", "") or vehicle.get("vin", "")),
        "vin": str(vehicle.get("vin", "")),
        "displacement_l": None if displacement is None else float(displacement),
        "concern": str(job.get("concern", "")),
        "conclusion": str(job.get("conclusion", "")),
        "notes": "\n".join(notes),
        "recordings": len(job.get("recordings", [])),
    }
