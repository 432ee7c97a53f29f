"""The window's words: English in the source, other languages from GNU gettext catalogs.

`tr("Open …")` gives the text in the user's language, or the English itself where no catalog has
it. The language is the one that gettext takes from the environment (LANGUAGE, LC_ALL, LC_MESSAGES,
LANG), else that of the system; it is decided when this module is imported, so that constants of
modules hold translated text, too. `speaking` takes another one for a while, as a report does.

What the analysis and files of words say is English data; `shown` and `put` give it in the user's
language where it is shown. How to gather and translate: DEVELOPERS.md.
"""

from __future__ import annotations

import gettext
import os
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from itertools import takewhile
from pathlib import Path

from logbench.foreign import Foreign, fill, in_label

DOMAIN = "logbench"
FOLDER = Path(__file__).parent / "locale"
"""`<language>/LC_MESSAGES/logbench.mo` below it, and the template `logbench.pot`."""

LANGUAGES = {"en": "English", "de": "Deutsch", "es": "Español"}
"""Those that the program knows, as their speakers call them."""
_VARIABLES = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")  # dearest first, as gettext has them
_ENGLISH = ("", "c", "posix", "en")  # what the source is written in: no catalog needed


def wanted_languages() -> list[str]:
    """Languages the user wants, dearest first, ended by English; none where English comes first."""
    told = next((os.environ[v] for v in _VARIABLES if os.environ.get(v)), "") or _of_system()
    return list(takewhile(lambda name: _base(name) not in _ENGLISH, told.split(":")))


def use(folder: Path, languages: Sequence[str]) -> None:
    """Take the catalog of the first of these languages that `folder` has; else plain English.

    Text that was made before stays as it was. A damaged catalog counts as none.
    """
    global _catalog  # noqa: PLW0603 - one language a process, as gettext has it
    _catalog = _catalog_of(folder, languages)


@contextmanager
def speaking(name: str) -> Iterator[None]:
    """Within it this thread speaks that language, one of `LANGUAGES`; with "" that in use."""
    if not name:
        yield
        return
    before = _spoken.set(_catalog_of(FOLDER, [] if _base(name) in _ENGLISH else [name]))
    try:
        yield
    finally:
        _spoken.reset(before)


def language() -> str:
    """The language in use as its catalog names it ("de", "pt_BR"), "en" without one."""
    return _now().info().get("language") or "en"


def tr(text: str, /, **values: object) -> str:
    """The text in the user's language, with `values` put into its `{places}`, foreign ones
    and paths plainly (`foreign.fill`).

    Without values nothing is put in, and braces stay. A translation whose places do not fit gives
    way to the English.
    """
    return _filled(_now().gettext(text), text, values) if text else text


def tr_n(singular: str, plural: str, n: int, /, **values: object) -> str:
    """The form for `n` things, which is also the place `{n}`; other values as with `tr`."""
    said = _now().ngettext(singular, plural, n)
    return _filled(said, singular if n == 1 else plural, {**values, "n": n})


def inside(title: str) -> str:
    """A title within a sentence: English begins it small, other languages leave it as it is."""
    return title[:1].lower() + title[1:] if language() == "en" else title


def shown(english: str) -> str:
    """Text that is kept in English, in the user's language: a text that was gathered, or a list of
    such (`bank 1, warm idle`), each with a number in it or not. Anything else, what would be mixed,
    and text from outside, as it is."""
    if not english or isinstance(english, Foreign) or type(_now()) is gettext.NullTranslations:
        return english
    whole = _now().gettext(english)
    if whole != english:
        return whole
    parts = english.split(", ")
    told = [_part(part) for part in parts]
    mixed = any(a == b and _WORD.search(a) for a, b in zip(parts, told, strict=True))
    return english if mixed else ", ".join(told)


def put(template: str, values: Mapping[str, object], plural: str = "", n: int = 1) -> str:
    """A template that was gathered, in the user's language, its `{places}` filled; the form for
    `n` things of one with a `plural`."""
    said = _now().ngettext(template, plural, n) if plural else _now().gettext(template)
    return _filled(said, plural if plural and n != 1 else template, values)


def begun(text: str) -> str:
    """Words as a line or a sentence begins with them."""
    return text[:1].upper() + text[1:]


def _filled(said: str, english: str, values: Mapping[str, object]) -> str:
    if not values:
        return said
    try:
        return fill(said, **values)
    except (LookupError, ValueError, AttributeError):
        return fill(english, **values)


def _part(text: str) -> str:
    number = _NUMBER.search(text)
    if number is None:
        return _now().gettext(text) if text else text
    template = f"{text[: number.start()]}{{n}}{text[number.end() :]}"
    said = _now().gettext(template)
    return text if said == template else said.replace("{n}", number[0])


def _now() -> gettext.NullTranslations:
    return _spoken.get() or _catalog


def _catalog_of(folder: Path, wanted: Sequence[str]) -> gettext.NullTranslations:
    try:
        return gettext.translation(DOMAIN, folder, languages=list(wanted), fallback=True)
    except (OSError, ValueError):
        return gettext.NullTranslations()


def _base(name: str) -> str:
    return re.split(r"[_.@-]", name)[0].lower()


def _of_system() -> str:
    """Windows sets none of the variables; a desktop of another kind sets LANG."""
    if sys.platform == "win32":
        import ctypes
        import locale

        return locale.windows_locale.get(ctypes.windll.kernel32.GetUserDefaultUILanguage(), "")
    return ""


_NUMBER = re.compile(r"(?<![\w.,])\d+(?![\w.,])")
_WORD = re.compile("[a-z]{2}")
_spoken: ContextVar[gettext.NullTranslations | None] = ContextVar("spoken", default=None)
_catalog: gettext.NullTranslations = gettext.NullTranslations()
use(FOLDER, wanted_languages())

# --- words that the files and the analysis keep in English, as they are shown ---

_GATHERED = (  # written out, so that they are gathered for translation
    # verdicts of findings
    tr("within"), tr("watch"), tr("act"), tr("not judged"),
    # why something was not judged
    tr("not recorded"), tr("too uncertain"), tr("not applicable to this car"),
    tr("no limit known"),
    # verdicts of a comparison
    tr("changed"), tr("no change shown"), tr("not comparable"),
    tr("resolved"), tr("improved"), tr("new"), tr("worse"), tr("within limits on both"),
    # driving conditions
    tr("key-on engine-off"), tr("cranking"), tr("cold idle"), tr("warm idle"),
    tr("fast idle hold"), tr("steady cruise"), tr("acceleration"), tr("wide-open throttle"),
    tr("deceleration fuel cut"), tr("engine off"), tr("other driving"), tr("glow phase"),
    tr("filter regeneration"), tr("electric driving"), tr("engine stopped at a halt"),
    # sides and roles
    tr("before"), tr("after"), tr("other"),
    # what an overlay is placed by
    tr("time"), tr("engine start"), tr("marker"), tr("coolant temperature"), tr("distance"),
    tr("best match of speed"),
    # trouble codes and files
    tr("stored"), tr("pending"), tr("permanent"),
    tr("sound"), tr("damaged"), tr("unreadable"), tr("without a checksum"),
    # events of a recording
    tr("link lost"), tr("link back"), tr("codes read"), tr("key on"), tr("key off"), tr("gap"),
    tr("marker by rule"), tr("message"),
    # moments of a job
    tr("job opened"), tr("test"), tr("note"), tr("work"), tr("photo"), tr("recording missing"),
    tr("codes cleared"), tr("clearing tried"), tr("evaporative system closed"),
    tr("car read, before"), tr("car read, after"), tr("car read, other"),
    tr("recording, before"), tr("recording, after"), tr("recording, other"),
    # signals for a purpose, steps of a drive, facts of one under way
    tr("default set"), tr("fuel trim"), tr("air and load"), tr("warm-up"),
    tr("oxygen sensors"), tr("charging"), tr("my own choice"), tr("too late for this drive"),
    tr("boost and recirculation"), tr("rail, exhaust and filter"),
    tr("state"), tr("elapsed"), tr("samples"), tr("rate"), tr("size"), tr("step"),
    # why a column of an imported file is read as it is
    tr("as you said"),
    # lists, ranges, units and places, as sentences hold them
    tr("{t1} and {t2}"), tr("{t1} and the {t2}"), tr("outside"), tr("diesel"),
    tr("to"), tr("and"), tr("points"), tr("rpm"),
    tr("bank {n}"), tr("bank {n} front sensor"), tr("bank {n} lambda"), tr("load"), tr("pattern"),
    tr("cylinder {n}"), tr("bank {n} rear sensor"), tr("bank {n} sensor"), tr("sensor {n}"),
    tr("{n} cylinders"), tr("gasoline"), tr("turbocharged"), tr("probably gasoline"),
    tr("probably diesel"), tr("perhaps gasoline"), tr("perhaps diesel"), tr("any"), tr("limited"),
    tr("paired throttle sensors"), tr("paired pedal sensors"), tr("no codes"), tr("all ECUs"),
    tr("maker's own test {n}"), tr("maker's own monitor"),
    # what became of codes and monitors
    tr("gone"), tr("back"), tr("passed"), tr("failed"), tr("none"), tr("done"),
    # heads of tables of the report
    tr("what"), tr("why"), tr("signal"), tr("value"), tr("limits"), tr("margin"), tr("module"),
    tr("remark"), tr("cause"), tr("probability"), tr("cost"), tr("safety"), tr("number"),
    tr("quantity"), tr("finding"), tr("now"), tr("meaning"), tr("change"), tr("states"),
    tr("monitor"), tr("ran"), tr("of"), tr("option"), tr("owner"), tr("part"), tr("file"),
    tr("code"), tr("when"), tr("drive"),
    # parts of the report
    tr("Concern"), tr("Vehicle"), tr("Found"), tr("Records"), tr("Causes"), tr("Notes"),
    tr("Options"), tr("Done"), tr("After"), tr("Photos"), tr("Limits"), tr("Methods"), tr("Files"),
)  # fmt: skip


def word(english: str) -> str:
    """A word of a fixed set (verdict, driving condition, role …) in the user's language.

    Only for words that stand above; anything else is shown as it is.
    """
    return in_label(shown(english))
