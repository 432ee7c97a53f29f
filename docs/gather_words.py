"""Gathers the window's English text into `logbench.pot`, the template for translations.

    python docs/gather_words.py           write it
    python docs/gather_words.py --check   exit code 1 where it is not what gathering gives now

Needs Babel (the `test` extra). The template holds no date, no line number, no path of a machine
and no version of a tool, so that it changes only where text does.
"""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import write_po

_ROOT = Path(__file__).resolve().parents[1]
TEMPLATE = _ROOT / "logbench/locale/logbench.pot"
KEYWORDS = {"tr": None, "tr_n": (1, 2)}
_SOURCES = _ROOT / "logbench"
_VARYING = re.compile(r'^"(POT-Creation-Date|PO-Revision-Date|Generated-By|Last-Translator)')
_PLACE = re.compile(r"{[a-z_]\w*[^{}]*}")
_COMMENT = "# The window's text of logbench, gathered by docs/gather_words.py.\n"


def gathered() -> Catalog:
    """Every text given to `tr` and `tr_n` below `logbench`, by file and then by place."""
    catalog = Catalog(project="logbench", charset="utf-8")
    for path in sorted(_SOURCES.rglob("*.py")):
        where = path.relative_to(_ROOT).as_posix()
        for _, text, comments, context in extract_from_file("python", path, KEYWORDS):
            told = catalog.add(text, None, [(where, 0)], auto_comments=comments, context=context)
            told.flags.discard("python-format")  # "{share:.0%} of" is none
            if _PLACE.search(str(text)):
                told.flags.add("python-brace-format")
    return catalog


def template() -> str:
    """The template file's content."""
    out = io.BytesIO()
    write_po(out, gathered(), include_lineno=False, omit_header=False, width=0)
    lines = out.getvalue().decode("utf-8").splitlines(keepends=True)
    first = next(n for n, line in enumerate(lines) if not line.startswith("#"))
    return _COMMENT + "#\n" + "".join(x for x in lines[first:] if not _VARYING.match(x))


def main() -> int:
    """Write the template, or say whether it is up to date."""
    new = template()
    if "--check" in sys.argv[1:]:
        return int(not TEMPLATE.is_file() or TEMPLATE.read_text(encoding="utf-8") != new)
    TEMPLATE.write_text(new, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
