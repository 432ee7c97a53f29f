"""What a report shall hold, for whom, and how it looks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from logbench.errors import UsageError
from logbench.foreign import Line
from logbench.words import LANGUAGES

Section = Literal[
    "concern", "vehicle", "found", "records", "causes", "notes", "options", "done", "after",
    "photos", "limits", "methods", "files",
]  # fmt: skip
SECTIONS: tuple[Section, ...] = get_args(Section)
"""What may follow the first page, in the order of the report."""
ALWAYS: frozenset[Section] = frozenset({"limits"})
"""Limits and cautions are never left out of what follows the first page."""
EVIDENCE: frozenset[Section] = frozenset({"methods", "files"})
"""What a claims file asks for beside all that a technician does."""
TITLES = {
    "found": "What was found, in full",
    "lacking": "Not judged, and what to record",
    "done": "What was done, in full",
    "after": "What the drives after the work show",
    "limits": "Limits and cautions",
    "files": "Recordings, evidence and program",
}
"""Headings of what follows the first page that it points to, by key."""
Audience = Literal["owner", "technician", "claims"]
AUDIENCES: tuple[Audience, ...] = get_args(Audience)


def _known(language: str) -> str:
    if language and language not in LANGUAGES:
        known = ", ".join(LANGUAGES)
        raise UsageError(f"There is no report in {language!r}: choose one of {known}.")
    return language


class ReportOptions(BaseModel):
    """All of it has defaults: an A4 report of every section in metric units."""

    model_config = ConfigDict(extra="forbid")

    audience: Audience = "claims"
    """`owner`: the first page alone. `technician`: all that follows it, too. `claims`: methods,
    limits and the fingerprints of the evidence besides. All of the same statements."""
    paper: Literal["A4", "letter"] = "A4"
    units: Literal["metric", "us"] = "metric"
    language: Annotated[str, AfterValidator(_known)] = ""
    """One of `words.LANGUAGES`; empty: the user's own."""
    sections: tuple[Section, ...] = SECTIONS
    shop_name: Line = ""
    shop_lines: tuple[Line, ...] = Field(default=(), max_length=6)
    """Address, telephone …"""
    logo: Path | None = None
    private: bool = False
    """Nothing that says whose car it is, where and when, and nothing that was typed: see
    `job/privacy.py`; shop and logo are left out, too."""

    archive: str = ""
    """Place of the archive with the car's other drives, which tell how far it moves from drive to
    drive; not used for a private one."""

    def has(self, section: Section) -> bool:
        """Whether a section is wanted after the first page."""
        if self.audience == "owner" or (self.audience == "technician" and section in EVIDENCE):
            return False
        return section in self.sections or section in ALWAYS


def sections_from(text: str) -> tuple[Section, ...]:
    """Sections from `found,done,after`. Raises UsageError, which names the legal ones."""
    chosen: list[Section] = []
    for word in text.replace(" ", "").split(","):
        match = next((section for section in SECTIONS if section == word), None)
        if match is None:
            raise UsageError(
                f"A report has no section {word!r}: choose among {', '.join(SECTIONS)}."
            )
        chosen.append(match)
    return tuple(chosen)
