"""Write the tables of docs/licenses.md, what each package that is installed says of its license,
and the bill of materials.

`python docs/make_licenses.py`; tests/test_supply.py refuses what cannot be combined with ours.
"""

from __future__ import annotations

import json
import re
import tomllib
from importlib.metadata import Distribution, distribution
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from logbench.system.version import VERSION

PAGE = Path(__file__).parent / "licenses.md"
BILL = PAGE.with_name("bill-of-materials.cdx.json")
PROJECT = tomllib.loads((PAGE.parents[1] / "pyproject.toml").read_text("utf-8"))["project"]
EXTRAS = tuple(name for name in PROJECT["optional-dependencies"] if name not in ("test", "guide"))
"""Those that the program runs with."""
BEGIN = "<!-- made by docs/make_licenses.py -->\n"

COMPATIBLE = {
    # Free Software Foundation, "Various Licenses and Comments about Them",
    # https://www.gnu.org/licenses/license-list.html, "GPL-Compatible Free Software Licenses"
    "GPL-3.0-only", "GPL-3.0-or-later", "GPL-2.0-or-later", "LGPL-3.0-only", "LGPL-3.0-or-later",
    "LGPL-2.1-or-later", "Apache-2.0", "MPL-2.0", "MIT", "BSD-3-Clause", "BSD-2-Clause", "ISC",
    "NCSA", "Zlib", "CC0-1.0", "Unlicense", "PSF-2.0", "HPND",
    # Not in that list; they ask for no more than one that is in it (HPND, ISC, MIT): from memory.
    "MIT-CMU", "0BSD", "MIT-0",
}  # fmt: skip
"""SPDX identifiers of what may be part of a program under GPL-3.0-or-later."""

_WORDS = {
    "apache license 2.0": "Apache-2.0", "apache 2.0": "Apache-2.0", "apache-2.0": "Apache-2.0",
    "mit": "MIT", "mpl-2.0": "MPL-2.0", "isc license": "ISC", "bsd-3-clause": "BSD-3-Clause",
    "bsd-2-clause": "BSD-2-Clause", "bsd 2-clause license": "BSD-2-Clause",
    "2-clause bsd": "BSD-2-Clause",
    "bsd-3-clause, apache-2.0, dependency licenses": "BSD-3-Clause AND Apache-2.0",
    "osi approved :: mit license": "MIT",
    "osi approved :: mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "osi approved :: apache software license": "Apache-2.0",
    "osi approved :: python software foundation license": "PSF-2.0",
}  # fmt: skip
"""What packages without an SPDX expression say, and what it means."""
_CLAUSES = (
    ("All advertising materials mentioning", "BSD-4-Clause"),
    ("Neither the name", "BSD-3-Clause"),
    ("names of its contributors may", "BSD-3-Clause"),
    ("name of the author may not be used to endorse", "BSD-3-Clause"),
    ("Redistributions in binary form", "BSD-2-Clause"),
)
"""Words of a license's text that tell the kinds of 'BSD' apart, the decisive one first."""

ABOUT_OBD = "GPL-2.0-or-later"
"""What every source file of python-OBD says; its metadata say less: see docs/licenses.md."""
_NOTICE = "either version 2 of the License, or    #\n# (at your option) any later version."


def needed(extras: tuple[str, ...] = ()) -> set[str]:
    """The names of all packages that logbench with these extras needs on this computer."""
    seen: set[tuple[str, tuple[str, ...]]] = set()
    waiting = [("logbench", extras)]
    while waiting:
        one = waiting.pop()
        if one not in seen:
            seen.add(one)
            waiting += asked_by(*one)
    return {name for name, _ in seen} - {"logbench"}


def asked_by(name: str, extras: tuple[str, ...]) -> list[tuple[str, tuple[str, ...]]]:
    """What a package with these extras asks for itself on this computer, each with its extras."""
    if name == "logbench":  # as it is now, not as it was installed
        lists = [PROJECT["dependencies"], *(PROJECT["optional-dependencies"][e] for e in extras)]
        requires = [text for texts in lists for text in texts]
    else:
        requires = distribution(name).requires or []
    given = [{"extra": extra} for extra in ("", *extras)]
    return [
        (canonicalize_name(asked.name), tuple(sorted(asked.extras)))
        for asked in map(Requirement, requires)
        if asked.marker is None or any(asked.marker.evaluate(each) for each in given)
    ]


def license(package: Distribution) -> tuple[str, str]:
    """Its license as an SPDX expression, `` where that cannot be told, and what says so."""
    meta = package.metadata
    if canonicalize_name(meta["Name"]) == "obd" and notices_of_obd(package):
        return ABOUT_OBD, "notices in its files"
    if meta.get("License-Expression"):
        return meta.get("License-Expression"), "SPDX expression"
    field = (meta.get("License") or "").strip()
    if spdx_parts(field) and field.count("\n") == 0 and known_parts(field):
        return field, "license field"
    kinds = [c.partition(" :: ")[2] for c in meta.get_all("Classifier") or [] if "License" in c]
    for said in (field, *kinds):
        if said.lower() in _WORDS:
            return _WORDS[said.lower()], "license field" if said == field else "classifier"
    if lines := spdx_lines(package):
        return " AND ".join(sorted(lines)), "SPDX lines in its files"
    text = field + texts_of(package)
    return next((spdx for words, spdx in _CLAUSES if words in text), ""), "license text"


def spdx_parts(expression: str) -> list[list[str]]:
    """The alternatives of an expression, each the licenses that hold together (no brackets are
    needed by what is installed)."""
    return [[part.strip() for part in re.split(r"\bAND\b", one)]
            for one in re.split(r"\bOR\b", expression)]  # fmt: skip


def known_parts(expression: str) -> bool:
    """Whether it looks like SPDX identifiers throughout."""
    plain = re.compile(r"[A-Za-z0-9.]+(-[A-Za-z0-9.]+)+")
    return all(plain.fullmatch(part) for one in spdx_parts(expression) for part in one)


def may_be_combined(expression: str) -> bool:
    """Whether one of its alternatives is compatible in all of its parts."""
    return any(all(part in COMPATIBLE for part in one) for one in spdx_parts(expression))


def texts_of(package: Distribution) -> str:
    """The license texts that it brings."""
    names = [f for f in package.files or [] if re.search(r"LICEN[SC]E|COPYING", f.name, re.I)]
    texts = (Path(str(package.locate_file(name))) for name in names)
    return "\n".join(path.read_text("utf-8", "replace") for path in texts if path.is_file())


def spdx_lines(package: Distribution) -> set[str]:
    """What the lines `SPDX-License-Identifier` of its source files say."""
    files = [f for f in package.files or [] if f.suffix == ".py"]
    texts = (Path(str(package.locate_file(f))).read_text("utf-8", "replace") for f in files)
    found = (re.search(r"^# SPDX-License-Identifier: +([\w.-]+)", text, re.M) for text in texts)
    return {match[1] for match in found if match}


def notices_of_obd(package: Distribution) -> bool:
    """Whether each source file of python-OBD that holds more than a version grants 'any later
    version' of the GPL."""
    files = [f for f in package.files or [] if f.suffix == ".py" and f.name != "__version__.py"]
    texts = [Path(str(package.locate_file(file))).read_text("utf-8") for file in files]
    return bool(texts) and all(_NOTICE in text for text in texts)


def tables() -> str:
    """The packages by what they are needed for, each with its license and what says so."""
    running, optional = needed(), needed(EXTRAS)
    developing = needed(("test", "guide"))
    parts = []
    for title, names in (
        ("Running", running),
        (f"Extras {', '.join(f'`{name}`' for name in EXTRAS)}", optional - running),
        ("Tests and the guide's site only", developing - optional),
    ):
        lines = [f"### {title}", "", "| package | license | said by |", "| --- | --- | --- |"]
        for name in sorted(names):
            spdx, said_by = license(distribution(name))
            lines.append(f"| {name} | {spdx} | {said_by} |")
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def bill() -> dict[str, Any]:
    """The bill of materials as CycloneDX 1.6 (ECMA-424): what the program runs with here, its
    extras, versions of the lock, licenses, and what needs what."""
    lock = tomllib.loads((PAGE.parents[1] / "pylock.toml").read_text("utf-8"))["packages"]
    versions = {package["name"]: package["version"] for package in lock}
    running, all_of_them = needed(), needed(EXTRAS)
    ours = {
        "type": "application", "bom-ref": "logbench", "name": "logbench", "version": VERSION,
        "licenses": [{"expression": PROJECT["license"]}],
    }  # fmt: skip
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1,
        "metadata": {"component": ours},
        "components": [
            {
                "type": "library", "bom-ref": name, "name": name, "version": versions[name],
                "scope": "required" if name in running else "optional",
                "licenses": [{"expression": license(distribution(name))[0]}],
                "purl": f"pkg:pypi/{name}@{versions[name]}",
            }
            for name in sorted(all_of_them)
        ],
        "dependencies": [
            {"ref": name, "dependsOn": sorted({asked for asked, _ in asked_by(name, extras)})}
            for name, extras in (("logbench", EXTRAS), *((one, ()) for one in sorted(all_of_them)))
        ],
    }  # fmt: skip


def main() -> None:
    """Write the tables behind what a person wrote, and the bill of materials."""
    page = PAGE.read_text("utf-8")
    PAGE.write_text(page[: page.index(BEGIN) + len(BEGIN)] + "\n" + tables(), "utf-8")
    BILL.write_text(json.dumps(bill(), indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
