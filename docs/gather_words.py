"""Gathers the program's English text into `logbench.pot`, the template for translations, and
compiles the translations that are there (`logbench.po` into `logbench.mo`).

    python docs/gather_words.py           write them
    python docs/gather_words.py --check   exit code 1 where they are not what gathering gives now

Gathered are: every text given to `tr` and `tr_n`; every text of the parts whose words are English
data until they are shown (`ENGLISH`), outside docstrings, errors and f-strings; and the words of
data files (bands, explanations, causes, hand tests, signals …), as the program has read them.

Needs Babel (the `test` extra). The template holds no date, no line number, no path of a machine
and no version of a tool, so that it changes only where text does.
"""

from __future__ import annotations

import ast
import io
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_file
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

_ROOT = Path(__file__).resolve().parents[1]
TEMPLATE = _ROOT / "logbench/locale/logbench.pot"
KEYWORDS = {"tr": None, "tr_n": (1, 2)}
ENGLISH = ("analysis", "report", "job/account.py", "job/model.py", "vehicle/records")
"""Below `logbench`: what says its texts as English data, shown by `words.shown`."""
_SOURCES = _ROOT / "logbench"
_VARYING = re.compile(r'^"(POT-Creation-Date|PO-Revision-Date|Generated-By|Last-Translator)')
_PLACE = re.compile(r"{[a-z_]\w*[^{}]*}")
_PROSE = re.compile(
    r"[A-Za-z]{2,}[.,:;]? \{?[a-z]|^[A-Z][a-z]+[a-z .]*$|[}]:? [a-z]{2}|[a-z]{2} \{"
)
_NO_TEXT = re.compile(
    r"^(\w*Error|tr|tr_n|compile|info|warning|debug|exception|startswith|removesuffix|TypeVar|cast"
    r"|removeprefix|get_logger)$"
)
"""Calls whose texts nobody sees, or that Babel gathers."""
_COMMENT = "# The text of logbench, gathered by docs/gather_words.py.\n"


@cache  # seconds
def gathered() -> Catalog:
    """All of it, by file and then by place. Read once in a process: nobody changes it."""
    catalog = Catalog(project="logbench", charset="utf-8")
    for path in sorted(_SOURCES.rglob("*.py")):
        where = path.relative_to(_ROOT).as_posix()
        for _, text, comments, context in extract_from_file("python", path, KEYWORDS):
            _add(catalog, text, where, comments, context)
        if any(path.relative_to(_SOURCES).as_posix().startswith(part) for part in ENGLISH):
            for text in english(ast.parse(path.read_text(encoding="utf-8"))):
                _add(catalog, text, where)
    for where, text in of_files():
        _add(catalog, text, where)
    return catalog


def _add(catalog: Catalog, text: object, where: str, comments: object = (), context: object = None
         ) -> None:  # fmt: skip
    told = catalog.add(text, None, [(where, 0)], auto_comments=comments, context=context)
    told.flags.discard("python-format")  # "{share:.0%} of" is none
    if _PLACE.search(str(text)):
        told.flags.add("python-brace-format")


def english(node: ast.AST) -> Iterator[str | tuple[str, str]]:
    """The texts below a node that read as words, as a catalog has them: templates of `said`
    without their formats, those of `said_n` in both forms."""
    from logbench.analysis.statement import plain

    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Match):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return  # a docstring
    if isinstance(node, ast.Call):
        name = ast.unparse(node.func).rpartition(".")[2]
        if _NO_TEXT.match(name):
            return
        if name == "said_n":
            one, several = (ast.literal_eval(part) for part in node.args[:2])
            yield plain(one), plain(several)
            return
        said = name == "said"
        if name in ("said", "Subject", "joined") and node.args:
            texts = [a.value for a in node.args if isinstance(a, ast.Constant)]
            yield from (plain(t) for t in texts if isinstance(t, str) and (said or t.isalpha()))
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        if _PROSE.search(node.value):
            yield _template(node.value)
        return
    for child in ast.iter_child_nodes(node):
        yield from english(child)


def _template(text: str) -> str:
    from logbench.analysis.statement import plain

    try:
        return plain(text) if _PLACE.search(text) else text
    except ValueError:
        return text


def of_files() -> Iterator[tuple[str, str]]:
    """Where it stands, and a text: the words of the program's own data files."""
    from logbench.analysis.bands import load_bands
    from logbench.analysis.causes.catalog import CAUSES, NAMED, SYMPTOMS
    from logbench.analysis.causes.hand_tests import HAND_TESTS
    from logbench.analysis.causes.sentence import brief
    from logbench.analysis.cautions import CAUTIONS
    from logbench.analysis.findings import ASKS, EXPLANATIONS, UNLESS
    from logbench.analysis.model import heading
    from logbench.analysis.run import all_checks
    from logbench.signals.catalog import fixed
    from logbench.signals.codes import text_of
    from logbench.signals.table import table
    from logbench.vehicle.records.monitors import MONITORING, names_of

    found: dict[str, list[str]] = {
        "analysis/checks": [heading(module.KEY) for module in all_checks()],
        "analysis/bands.toml": [
            text
            for band in load_bands()
            for text in (band.title, band.plain, band.watch_at_most, band.basis)
        ],
        "analysis/explanations.toml": [
            *(text for rows in ASKS.values() for text in rows.values()),
            *(row.why for rows in UNLESS.values() for row in rows),
            *(t for rows in EXPLANATIONS.values() for row in rows.values() for t in row.tell_apart),
        ],
        "analysis/cautions.toml": [caution.text for caution in CAUTIONS.values()],
        "analysis/causes/causes.toml": [
            *(text for c in CAUSES.values() for text in (c.text, brief(c.key), c.owner, c.repair)),
            *(named.text for named in NAMED.values()),
            *SYMPTOMS.values(),
        ],
        "analysis/causes/hand_tests.toml": [
            text
            for test in HAND_TESTS.values()
            for text in (test.title, test.what, test.skill, *test.tools, *test.words.values())
        ],
        "signals": [
            *(entry.title for entry in fixed().values()),
            *(label for signal in table() for _, label in signal.labels),
            *(text_of(f"{system}1234") for system in "PCBU"),
        ],
        "vehicle/records": [
            *(
                signal.name.removesuffix(MONITORING)
                for signal in table()
                if signal.name.endswith(MONITORING)
            ),
            *names_of("monitor"),
            *names_of("test"),
        ],
    }
    for where, texts in found.items():
        for text in texts:
            if text:
                yield f"logbench/{where}", getattr(text, "template", text)


def template() -> str:
    """The template file's content."""
    out = io.BytesIO()
    write_po(out, gathered(), include_lineno=False, omit_header=False, width=0)
    lines = out.getvalue().decode("utf-8").splitlines(keepends=True)
    first = next(n for n, line in enumerate(lines) if not line.startswith("#"))
    return _COMMENT + "#\n" + "".join(x for x in lines[first:] if not _VARYING.match(x))


class _Dateless(Catalog):
    """A catalog whose header says nothing of when it was made, and by which version of a tool."""

    def __iter__(self) -> Iterator[Message]:
        for message in super().__iter__():
            if not message.id:
                kept = (x for x in str(message.string).split("\n") if not _VARYING.match(f'"{x}'))
                message.string = "\n".join(kept)
            yield message


def compiled(source: Path) -> bytes:
    """The binary form of a translation, without what is fuzzy."""
    with source.open("rb") as file:
        catalog = read_po(file)
    catalog.__class__ = _Dateless
    out = io.BytesIO()
    write_mo(out, catalog)
    return out.getvalue()


def made() -> dict[Path, bytes]:
    """Every file that this program writes, with its content."""
    files = {TEMPLATE: template().encode()}
    for source in sorted(TEMPLATE.parent.glob("*/LC_MESSAGES/logbench.po")):
        files[source.with_suffix(".mo")] = compiled(source)
    return files


def main() -> int:
    """Write the files, or say whether they are up to date."""
    for path, content in made().items():
        if "--check" in sys.argv[1:]:
            if not path.is_file() or path.read_bytes() != content:
                return 1
        else:
            path.write_bytes(content)
    return 0


if __name__ == "__main__":
    sys.exit(main())
