"""Writes the pages of the guide that come out of the program: checks, and reference for Python.

python -m docs.make_guide            the pages, from checks, bands and docstrings
python -m docs.make_guide --drive    the examples, too: drives the simulated car, two minutes
"""

from __future__ import annotations

import inspect
import json
import sys
from dataclasses import asdict
from pathlib import Path
from types import ModuleType
from typing import Any, cast

from docs.api_page import text as api_text
from docs.check_examples import EXAMPLES, Shown, drive
from logbench.analysis.applicability import WHOLE
from logbench.analysis.bands import Bands, load_bands
from logbench.analysis.engine import WORDS
from logbench.analysis.findings import ASKS, EXPLANATIONS, UNLESS, range_of
from logbench.analysis.model import Band
from logbench.analysis.run import CheckModule, all_checks

ROOT = Path(__file__).resolve().parents[1]
PAGES = ROOT / "logbench/app/guide/pages"
SAID = ROOT / "docs/check_examples.json"
"""What the checks said of the examples, as they were last driven."""
_MADE = "*Made of the program itself by `docs/make_guide.py`.*"
_MORE = (
    "[All checks](index.md) · [What the limits rest on](../limits.md)"
    " · [Limits and checks of your own](../own.md)"
)
_LIST = """# The checks

A check turns part of a drive into a number and holds it against a band. It says `within`, `watch`,
`act` or `not judged`. What the words mean, and what the bands rest on: [limits](../limits.md). How
often the checks are right: [how sure is it?](../sure.md)

Each page has a good and a bad drive of the simulated car, the bands with their basis, what a
finding may mean, and what to record where the check could not judge.
"""


def pages() -> dict[Path, str]:
    """Every page that is made, by its file."""
    bands, said = load_bands(), json.loads(SAID.read_text("utf-8"))
    made = {PAGES / "api.md": f"{api_text()}\n{_MADE}\n"}
    made[PAGES / "checks/index.md"] = _list()
    for module in all_checks():
        page = _page(module, bands, said.get(module.KEY))
        made[PAGES / f"checks/{module.KEY}.md"] = page
    return made


def write() -> None:
    """Write the pages."""
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8")


def write_examples(keys: list[str]) -> None:
    """Drive the examples of these checks, and write what was said and the pictures."""
    said = json.loads(SAID.read_text("utf-8")) if SAID.exists() else {}
    for key in keys or EXAMPLES:
        shown = drive(key, EXAMPLES[key])
        (PAGES / f"checks/{key}.svg").write_text(shown.svg, encoding="utf-8")
        said[key] = kept_of(shown)
        print(key)
    text = json.dumps(said, indent=1, ensure_ascii=False, sort_keys=True)
    SAID.write_text(f"{text}\n", encoding="utf-8")


def kept_of(shown: Shown) -> dict[str, Any]:
    """What is kept of an example, beside its picture."""
    kept: dict[str, Any] = json.loads(json.dumps(asdict(shown)))
    del kept["svg"]
    return kept


# --- a page ---


def bands_of(module: CheckModule, bands: Bands) -> list[Band]:
    """The bands whose keys stand in the source of a check or of its parts."""
    source = cast("ModuleType", module)
    text = "".join(inspect.getsource(m) for m in (source, *getattr(source, "PARTS", ())))
    return [band for band in bands if f'"{band.key}"' in text]


def _list() -> str:
    rows = [f"- [{module.TITLE}]({module.KEY}.md)" for module in all_checks()]
    return "\n".join([_LIST, *rows, "", _MADE, ""])


def _page(module: CheckModule, bands: Bands, said: dict[str, Any] | None) -> str:
    source = cast("ModuleType", module)
    about, *how = inspect.cleandoc(source.__doc__ or "").split("\n\n")
    how += [inspect.cleandoc(part.__doc__ or "") for part in getattr(source, "PARTS", ())]
    lines = [f"# {module.TITLE}", "", f"{about} (`{module.KEY}`)", ""]
    if said:
        lines += _example(module.KEY, said)
    if used := bands_of(module, bands):
        lines += ["## The bands, and what they rest on", "", *_band_table(used), ""]
    if means := _explanations(module.KEY):
        lines += ["## What a finding may mean", "", *means]
    if asks := _asks(module.KEY) + _unless(module.KEY):
        lines += ["## Where it cannot judge", "", *asks]
    lines += ["## How it is worked out", "", *(line for part in how for line in (part, ""))]
    if module.INPUTS:
        lines += [f"It leans on {', '.join(f'`{a}`' for a in module.INPUTS)}.", ""]
    lines += [_MORE, "", _MADE, ""]
    return "\n".join(lines)


def _example(key: str, said: dict[str, Any]) -> list[str]:
    """Both drives: in words, drawn, and what the check says of them."""
    example = EXAMPLES[key]
    what = f"the same drive, but {example.wrong}."
    if example.spoil:
        what += " The simulated car has no such fault: it was put into the recording."
    lines = [
        "## A good and a bad drive",
        "",
        f"Simulated car ({said['car']}). Good: it is sound. Bad: {what} Shaded: what was judged.",
        "",
        f"![A good and a bad drive: {' '.join(said['words'].split())}]({key}.svg)",
        "",
        "| drive | result | what the check says |",
        "| --- | --- | --- |",
    ]
    for side in ("good", "bad"):
        for subject, verdict, reason in said[side]:
            lines.append(f"| {side} | `{verdict}` | {subject}: {reason} |")
    return [*lines, ""]


def _band_table(bands: list[Band]) -> list[str]:
    rows = ["| band | within | watch | basis |", "| --- | --- | --- | --- |"]
    for band in bands:
        within, watch = range_of(band, band.within), range_of(band, band.watch)
        rows.append(f"| `{band.key}`: {band.title} | {within} | {watch} | {band.basis} |")
    return rows


def _explanations(check: str) -> list[str]:
    """What the check's findings may mean, and what tells it apart."""
    lines: list[str] = []
    for found in EXPLANATIONS.get(check, {}).values():
        if not found.when:
            continue
        means = "; ".join(f"{k}. {c.text}" for k, c in enumerate(found.causes, start=1))
        lines += [f"- *{found.when}* may mean, likeliest first: {means}."]
        lines += [f"  - {step}" for step in found.tell_apart]
    return [*lines, ""] if lines else lines


def _unless(check: str) -> list[str]:
    """On which engines it, or a part of it, cannot be judged."""
    rows = UNLESS.get(check, ())
    lines = [
        f"- {'all of it' if row.subject == WHOLE else row.subject}:"
        f" {' or '.join(WORDS[trait][not row.holds] for trait in row.traits)} ({row.why})"
        for row in rows
    ]
    return ["Not judged where the engine model finds:", "", *lines, ""] if lines else []


def _asks(check: str) -> list[str]:
    """What the check asks for where it cannot judge: the sentences that its findings carry."""
    texts = ASKS.get(check, {}).values()
    if not texts:
        return []
    return ["Where it cannot judge it asks:", "", *(f"- {text}" for text in texts), ""]


if __name__ == "__main__":
    if "--drive" in sys.argv[1:]:
        write_examples([key for key in sys.argv[1:] if key in EXAMPLES])
    write()
