"""The window's text is gathered for translation: nothing shown is outside, nothing stale."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import get_args

import pytest
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from docs import gather_words as gather
from logbench import words

ROOT = Path(__file__).resolve().parents[1]
EVERY = sorted((ROOT / "logbench").rglob("*.py"))
SHOWN = [
    path
    for folder in ("app", "cases", "plot")
    for path in EVERY
    if folder == path.parts[len(ROOT.parts) + 1]
]
"""Modules whose text the window shows."""
COVERED = ("de", "es")
"""Languages that the whole window has."""

# Calls that show their text, and which of its places do: None for all of them.
SHOWING: dict[str, tuple[int, ...] | None] = {
    **dict.fromkeys(
        (
            "Label",
            "TreeRow",
            "ListRow",
            "TableCell",
            "plain_tip",
            "QPushButton",
            "QAction",
            "QCheckBox",
            "QRadioButton",
            "QGroupBox",
            "QMenu",
        )
    ),
    **dict.fromkeys(("setText", "setPlainText", "setHtml", "setToolTip", "setPlaceholderText")),
    **dict.fromkeys(("setWindowTitle", "setAccessibleName", "setAccessibleDescription")),
    **dict.fromkeys(("setTabText", "addTab", "setTitle", "setSpecialValueText")),
    **dict.fromkeys(("setHeaderLabels", "setHorizontalHeaderLabels", "setInformativeText")),
    **dict.fromkeys(("EmptyState", "trouble", "success", "passing", "drawText", "told")),
    **dict.fromkeys(("addItem", "addRow", "addAction", "addMenu", "addButton"), (0,)),
    **dict.fromkeys(("getText", "getItem"), (1, 2)),
    "Question": (1, 2, 3),
    "add_command": (1,),
    "_tell": (0, 1),  # of several panels: a name of a style, or the text
    "EntryTable": (0, 4),
    "Column": (1,),
    "Quantity": (0,),
}
KEYS = re.compile(
    r"(?:(?:Ctrl|Alt|Shift)\+)+\S*|F\d+|Esc|Del|Backspace|Pg\w+|Home|End|Up|Down|Left|Right|Space|\w"
)
PROSE = re.compile(r"[A-Za-z]{2,},? [a-z]|^[A-Z][a-z]+")
NOT_SHOWN = re.compile(r"(^|_)log\.\w+$|\.setStyleSheet$|^Template$|\.strftime$|^cast$|^TypeVar$")
"""Calls whose text nobody sees."""
ALLOWED = {
    "logbench": "the program's name",
    "VIN": "an acronym of ISO 3779",
    "SHA-256": "a standard's name",
    "Fusion": "the name of Qt's style",
    "Stretch": "the name of a way to size a column",
    "ResizeToContents": "the name of a way to size a column",
    "RPM": "an acronym of SAE J1979",
    "Nm": "a unit",
    "dBm": "a unit",
    "not judged": "a verdict as it is kept; shown through word()",
    "freeze frames": "what a reading of the car is asked for",
    "year first": "a form of the time as it is kept",
    "day first": "a form of the time as it is kept",
    "month first": "a form of the time as it is kept",
    "job": "a folder's name",
    "trouble": "a name of a style",
    "default set": "a purpose as it is kept; shown through word()",
    "my own choice": "a purpose as it is kept; shown through word()",
    "codes cleared": "an event of a job as it is kept; shown through word()",
    "clearing tried": "an event of a job as it is kept; shown through word()",
    "closing the evaporative system tried": "an event of a job as it is kept; shown through word()",
    "evaporative system closed": "an event of a job as it is kept; shown through word()",
    "right after clearing": "the label of a reading as it is kept",
    "Add-Type -AssemblyName System.Speech; [Console]::InputEncoding = [Text.Encoding]::UTF8; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())": (
        "an order to a shell"
    ),
    "at most {high}": "gathered in words.py; also put into English sentences",
    "at least {low}": "gathered in words.py; also put into English sentences",
}
OUTSIDE = {"preflight.py": "sentences of the command line, where no window can open"}


def calls_name(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else ast.unparse(call.func)


def literals(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Texts below a node that no `tr` is around; an f-string's are its own parts."""
    if isinstance(node, ast.Call) and (
        calls_name(node) in ("tr", "tr_n") or NOT_SHOWN.search(ast.unparse(node.func))
    ):
        for keyword in node.keywords:  # values put into a text are looked at, too
            yield from literals(keyword.value)
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.lineno, node.value
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns") or isinstance(node, ast.Subscript | ast.Compare):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from literals(child)


def without_docstrings(tree: ast.Module) -> ast.Module:
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            node.value = ast.Constant(None)
    return tree


def bare(text: str) -> str:
    """Without markup, also where an f-string cuts a tag in two."""
    return re.sub(r"<[^>]*(>|$)|^['\";][^<>]*>", "", text).strip()


def is_data(text: str) -> bool:
    """Keys, addresses, colors, names of settings and files: shown or not, of no language."""
    return (
        text in ALLOWED
        or bool(KEYS.fullmatch(text))
        or text.startswith(("#", "SELECT ", "QWidget {"))
        or bool(re.fullmatch(r"[a-z_]*/[\w./]+|[\w.{}-]*\.\w{2,8}|\*\.\w+|[a-z]+://\S+", text))
    )


def unwrapped(source: str) -> list[str]:
    """`line: text` of everything that would be shown in English only."""
    tree = without_docstrings(ast.parse(source))
    found = {}
    for line, text in literals(tree):
        if PROSE.search(bare(text)) and not is_data(bare(text)):
            found[line, text] = None
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
        name = calls_name(call)
        if name not in SHOWING:
            continue
        places = SHOWING[name]
        shown = [a for n, a in enumerate(call.args) if places is None or n in places]
        for argument in shown:
            for line, text in literals(argument):
                if re.search(r"[^\W\d_]", bare(text)) and not is_data(bare(text)):
                    found[line, text] = None
    return [f"{line}: {text}" for line, text in sorted(found)]


@pytest.mark.parametrize("path", SHOWN, ids=lambda p: str(p.relative_to(ROOT)))
def test_text_that_is_shown_goes_through_tr(path: Path):
    if path.name not in OUTSIDE:
        assert unwrapped(path.read_text(encoding="utf-8")) == []


def test_a_text_that_nobody_wrapped_is_seen():
    source = 'Label("Start")\nbox.setToolTip(f"{n} parts")\nTITLES = ("Take it away", "a")\n'
    assert unwrapped(source) == ["1: Start", "2:  parts", "3: Take it away"]
    assert unwrapped('Label(tr("Start")); x.setText(f"{n} %"); log.info("It is so")') == []


def misgiven(source: str) -> list[str]:
    """`line: what` of calls of `tr` that cannot be gathered or filled: given a name or an f-string
    instead of a text, within an f-string (where Python 3.11 hides it), or with other places than
    values."""
    found = []
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inner = [n for n in ast.walk(node) if isinstance(n, ast.Call)]
            found += [f"{n.lineno}: hidden" for n in inner if calls_name(n) in ("tr", "tr_n")]
        if not isinstance(node, ast.Call) or calls_name(node) not in ("tr", "tr_n"):
            continue
        several = calls_name(node) == "tr_n"
        values = {k.arg for k in node.keywords} | ({"n"} if several else set())
        for given in node.args[: 1 + several]:
            if not isinstance(given, ast.Constant) or not isinstance(given.value, str):
                found.append(f"{node.lineno}: no text")
            elif values and {p for _, p, _, _ in Formatter().parse(given.value) if p} != values:
                found.append(f"{node.lineno}: places")
    return found


@pytest.mark.parametrize("path", EVERY, ids=lambda p: str(p.relative_to(ROOT)))
def test_what_is_given_to_tr_can_be_gathered_and_filled(path: Path):
    source = path.read_text(encoding="utf-8")
    if path.name == "words.py":  # `word` looks up what stands in the table above it
        source = source.partition("def word(")[0]
    assert misgiven(source) == []


def test_what_cannot_be_gathered_or_filled_is_seen():
    source = 'f"{tr(\'a\')}"\ntr(name)\ntr("{a} b", b=1)\ntr_n("{n} a", "all", 2)'
    assert misgiven(source) == ["1: hidden", "2: no text", "3: places", "4: places"]
    assert misgiven('tr("a {b:.1f}", b=1); tr("{a}"); tr_n("{n} a", "{n} b", 2)') == []


def test_the_template_is_what_gathering_gives_now():
    """If not: `python docs/gather_words.py`."""
    assert gather.TEMPLATE.read_text(encoding="utf-8") == gather.template()


@pytest.mark.parametrize("language", COVERED)
def test_a_catalog_has_all_of_the_window(language: str):
    said = gather.TEMPLATE.parent / language / "LC_MESSAGES/logbench.po"
    with gather.TEMPLATE.open("rb") as template, said.open("rb") as catalog:
        wanted, there = read_po(template), read_po(catalog)
    window = [m for m in wanted if any(at.startswith("logbench/app/") for at, _ in m.locations)]
    forms = {m.id: (m.string,) if isinstance(m.string, str) else m.string for m in there}
    missing = [m.id for m in window if not all(forms.get(m.id, ("",)))]
    assert len(window) > 1_000
    assert missing == []


def test_the_template_says_nothing_of_when_and_where():
    text = gather.TEMPLATE.read_text(encoding="utf-8")
    assert "-Date:" not in text
    assert str(ROOT) not in text
    assert not re.search(r"^#: .*:\d", text, re.M)


def test_the_words_that_are_kept_in_english_are_gathered():
    from logbench.analysis.comparison.overlay import By
    from logbench.analysis.comparison.results import FindingVerdict, SignalVerdict
    from logbench.analysis.drive_plan import StepState
    from logbench.analysis.model import Condition, Verdict
    from logbench.job.model import Role
    from logbench.report.options import SECTIONS
    from logbench.signals.table import PURPOSES
    from logbench.vehicle.records.model import STATES

    kinds = (Condition, Verdict, FindingVerdict, SignalVerdict, By)
    kept = {word.value for kind in kinds for word in kind} | {StepState.TOO_LATE.value}
    kept |= {*PURPOSES, *STATES, *get_args(Role), *(section.title() for section in SECTIONS)}
    assert kept <= {message.id for message in gather.gathered()}


@pytest.fixture
def spoken(tmp_path: Path) -> Iterator[Path]:
    """A catalog of some German beside the program's own."""
    made = Catalog(locale="de")
    made.add("Open", "Öffnen")
    made.add("{n} file in {folder}", "{n} Datei in {ordner}")
    made.add(("{n} drive", "{n} drives"), ("{n} Fahrt", "{n} Fahrten"))
    place = tmp_path / "de" / "LC_MESSAGES" / "logbench.mo"
    place.parent.mkdir(parents=True)
    with place.open("wb") as file:
        write_mo(file, made)
    yield tmp_path
    words.use(words.FOLDER, [])


def test_another_language(spoken: Path):
    words.use(spoken, ["fr", "de_AT"])
    assert words.language() == "de"
    assert (words.tr("Open"), words.tr("Close"), words.tr("")) == ("Öffnen", "Close", "")
    assert words.tr_n("{n} drive", "{n} drives", 1) == "1 Fahrt"
    assert words.tr_n("{n} drive", "{n} drives", 3) == "3 Fahrten"
    assert words.inside("Öffnen") == "Öffnen"


def test_a_translation_whose_places_do_not_fit_gives_way(spoken: Path):
    words.use(spoken, ["de"])
    assert words.tr("{n} file in {folder}", n=2, folder="A") == "2 file in A"


def test_english_without_a_catalog_or_with_a_damaged_one(spoken: Path):
    (spoken / "de" / "LC_MESSAGES" / "logbench.mo").write_bytes(b"no catalog")
    for languages in (["de"], ["fr"], []):
        words.use(spoken, languages)
        assert (words.language(), words.tr("Open")) == ("en", "Open")
        assert words.tr_n("{n} drive", "{n} drives", 2) == "2 drives"
        assert words.inside("Open drives") == "open drives"


@pytest.mark.parametrize(
    ("variables", "wanted"),
    [
        ({"LANG": "de_DE.UTF-8"}, ["de_DE.UTF-8"]),
        ({"LANG": "de_DE.UTF-8", "LC_ALL": "C.UTF-8"}, []),
        ({"LANG": "de_DE.UTF-8", "LANGUAGE": "fr:de:en:it"}, ["fr", "de"]),
        ({"LANG": "cs_CZ.UTF-8"}, ["cs_CZ.UTF-8"]),  # begins like C
        ({"LANG": "en_GB.UTF-8", "LANGUAGE": "en_GB:de"}, []),
    ],
)
def test_the_language_is_the_environments(monkeypatch, variables, wanted):
    """The variables in the order that Python's documentation of `gettext.find` gives; English ends
    the list, for it is what the source is written in."""
    for name in ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert words.wanted_languages() == wanted
