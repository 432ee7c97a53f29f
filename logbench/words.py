"""The window's words: English in the source, other languages from GNU gettext catalogues.

`tr("Open …")` gives the text in the user's language, or the English itself where no catalogue has
it. The language is the one that gettext takes from the environment (LANGUAGE, LC_ALL, LC_MESSAGES,
LANG), else that of the system; it is decided when this module is imported, so that constants of
modules hold translated text, too. How to gather and translate: DEVELOPERS.md.
"""

from __future__ import annotations

import gettext
import os
import re
import sys
from collections.abc import Sequence
from itertools import takewhile
from pathlib import Path

DOMAIN = "logbench"
FOLDER = Path(__file__).parent / "locale"
"""`<language>/LC_MESSAGES/logbench.mo` below it, and the template `logbench.pot`."""

_VARIABLES = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")  # dearest first, as gettext has them
_ENGLISH = ("", "c", "posix", "en")  # what the source is written in: no catalogue needed


def wanted_languages() -> list[str]:
    """Languages the user wants, dearest first, ended by English; none where English comes first."""
    told = next((os.environ[v] for v in _VARIABLES if os.environ.get(v)), "") or _of_system()
    return list(takewhile(lambda name: _base(name) not in _ENGLISH, told.split(":")))


def use(folder: Path, languages: Sequence[str]) -> None:
    """Take the catalogue of the first of these languages that `folder` has; else plain English.

    Text that was made before stays as it was. A damaged catalogue counts as none.
    """
    global _catalogue  # noqa: PLW0603 - one language a process, as gettext has it
    try:
        _catalogue = gettext.translation(DOMAIN, folder, languages=list(languages), fallback=True)
    except (OSError, ValueError):
        _catalogue = gettext.NullTranslations()


def language() -> str:
    """The language in use as its catalogue names it ("de", "pt_BR"), "en" without one."""
    return _catalogue.info().get("language") or "en"


def tr(text: str, /, **values: object) -> str:
    """The text in the user's language, with `values` put into its `{places}` by `str.format`.

    Without values nothing is put in, and braces stay. A translation whose places do not fit gives
    way to the English.
    """
    return _filled(_catalogue.gettext(text), text, values) if text else text


def tr_n(singular: str, plural: str, n: int, /, **values: object) -> str:
    """The form for `n` things, which is also the place `{n}`; other values as with `tr`."""
    said = _catalogue.ngettext(singular, plural, n)
    return _filled(said, singular if n == 1 else plural, {**values, "n": n})


def inside(title: str) -> str:
    """A title within a sentence: English begins it small, other languages leave it as it is."""
    return title[:1].lower() + title[1:] if language() == "en" else title


def _filled(said: str, english: str, values: dict[str, object]) -> str:
    if not values:
        return said
    try:
        return said.format(**values)
    except (LookupError, ValueError, AttributeError):
        return english.format(**values)


def _base(name: str) -> str:
    return re.split(r"[_.@-]", name)[0].lower()


def _of_system() -> str:
    """Windows sets none of the variables; a desktop of another kind sets LANG."""
    if sys.platform == "win32":
        import ctypes
        import locale

        return locale.windows_locale.get(ctypes.windll.kernel32.GetUserDefaultUILanguage(), "")
    return ""


_catalogue: gettext.NullTranslations = gettext.NullTranslations()
use(FOLDER, wanted_languages())
