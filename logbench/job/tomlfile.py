"""`job.toml` as text: what a person wrote in it, comments and order, stays where it is."""

from __future__ import annotations

from typing import Any

import tomlkit
from pydantic import ValidationError
from tomlkit.exceptions import TOMLKitError

from logbench.errors import JobDamagedError, JobTooNewError
from logbench.job.model import SCHEMA_VERSION, Job

HEAD = "A job of logbench: one car's visit. Plain text; edit it while the program is closed."
MOST_BYTES = 5_000_000


def parse_job(data: bytes, where: str) -> Job:
    """The job of a file's bytes; `where` names it in errors.

    Raises JobDamagedError (no TOML, a field out of its limits), JobTooNewError.
    """
    if len(data) > MOST_BYTES:
        raise JobDamagedError(
            f"{where} is {len(data) / 1e6:.0f} MB long; a job is never longer than "
            f"{MOST_BYTES / 1e6:.0f} MB: put a copy from before in its place."
        )
    try:
        content = tomlkit.parse(data.decode("utf-8-sig")).unwrap()
    except (UnicodeDecodeError, TOMLKitError, ValueError, RecursionError) as error:
        line = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise JobDamagedError(f"{where} is no readable job file: {line[:200]}.") from error
    version = str(content.get("schema_version", SCHEMA_VERSION))
    if version.split(".", maxsplit=1)[0] != SCHEMA_VERSION.split(".")[0]:
        raise JobTooNewError(
            f"{where} was written by another major version ({version[:20]}): open it with that."
        )
    try:
        return Job.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise JobDamagedError(f"{where}: the field {field} {first['msg']}.") from error


def job_text(job: Job, earlier: bytes | None = None) -> str:
    """The file's new text. With `earlier`, the present file, only what differs is replaced."""
    document = tomlkit.document()
    if earlier is None:
        document.add(tomlkit.comment(HEAD))
        document.add(tomlkit.nl())
        old: dict[str, Any] = {}
    else:
        document = tomlkit.parse(earlier.decode("utf-8-sig"))
        old = _plain(parse_job(earlier, "job.toml"))
    new = _plain(job)
    for key in [key for key in old if key not in new]:
        document.pop(key, None)
    for key, value in new.items():
        if key not in document or old.get(key) != value:
            document[key] = value
    return tomlkit.dumps(document)


def _plain(job: Job) -> dict[str, Any]:
    """Plain values without None and without empty parts; TOML's tables last."""
    values = job.model_dump(exclude_none=True)
    kept = {key: value for key, value in values.items() if value not in ("", [], {})}
    for key in ("customer", "vehicle"):
        kept[key] = {k: v for k, v in values[key].items() if v not in ("", [], {})}
        if not kept[key]:
            del kept[key]
    return dict(sorted(kept.items(), key=lambda item: isinstance(item[1], dict | list)))
