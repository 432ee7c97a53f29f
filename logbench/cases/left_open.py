"""What was open in the window, for a start after a crash or a loss of power; one small file beside
the settings, which a window that is closed takes away."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from logbench.recording.model import legal_part
from logbench.recording.storage import read_own, replacing
from logbench.system.limits import SETTINGS_BYTES
from logbench.system.private import make_folder, owner_only
from logbench.system.reading import json_of

FILE = "left_open.json"
MOST_TYPED = 40
"""Fields."""
LONGEST = 2000
"""Characters of one."""
_OBJECT = TypeAdapter(dict[str, Any])


class LeftOpen(BaseModel):
    """Page, drive, job, what is seen of the drive, and what was typed and not used yet."""

    model_config = ConfigDict(allow_inf_nan=False)

    page: str = ""
    drive: Path | None = None
    job: Path | None = None
    span_ns: tuple[float, float] | None = None
    cursor_ns: int | None = None
    marks_ns: dict[str, int] = Field(default_factory=dict, max_length=8)
    """Cursors A and B."""
    typed: dict[str, str] = Field(default_factory=dict, max_length=MOST_TYPED)
    """By page and name of the field."""


def load_left_open(path: Path) -> LeftOpen | None:
    """What a window left that did not come to its end; None where there is nothing."""
    values = read_own(path, SETTINGS_BYTES, lambda data: _OBJECT.validate_python(json_of(data)))
    return None if values is None else legal_part(LeftOpen, values)


def keep_left_open(path: Path, left: LeftOpen) -> None:
    """Write it whole, for its owner only. A disk that refuses costs no more than this."""
    with suppress(OSError):
        make_folder(path.parent)
        with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
            file.write(left.model_dump_json(indent=1).encode())


def forget_left_open(path: Path) -> None:
    """The window was closed."""
    with suppress(OSError):
        path.unlink(missing_ok=True)
