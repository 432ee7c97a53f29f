"""What of a job may be handed to the program that the computer has for such files.

A job may come from a stranger. What opens a file goes by its name, what it does by its content: so
only a picture, a PDF or a plain text is handed on, by its content, and only under a name that says
the same. Of everything else the folder is shown.
"""

from __future__ import annotations

from pathlib import Path

from logbench.foreign import Foreign, clean_line
from logbench.system.limits import OPENED_TEXT_BYTES
from logbench.system.reading import open_plain
from logbench.words import tr

_BEGINNINGS = (
    (b"\x89PNG\r\n\x1a\n", (".png",)),
    (b"\xff\xd8\xff", (".jpg", ".jpeg")),
    (b"GIF87a", (".gif",)),
    (b"GIF89a", (".gif",)),
    (b"%PDF-", (".pdf",)),
)
"""How pictures and PDFs begin, and the names that say so."""
_TEXT_NAMES = (".txt", ".log", ".md")
"""No CSV: spreadsheets run what it holds."""


def why_not_opened(path: Path) -> str:
    """`` where a file of a job may be opened; else the sentence why only its folder is shown."""
    try:
        with open_plain(path) as file:
            data = file.read(OPENED_TEXT_BYTES + 1)
    except OSError as error:
        return tr(
            "{name} cannot be opened: {why}.", name=Foreign(path.name), why=error.strerror or error
        )
    names = _names_of(data)
    if not names:
        why = tr("it is not a picture, a PDF or plain text")
    elif path.suffix.lower() not in names:
        why = tr("what it holds belongs in a file named {kinds}", kinds=", ".join(names))
    elif clean_line(path.name) != path.name:
        why = tr("its name has characters that mislead")
    else:
        return ""
    return tr(
        "{name} was not opened: {why}. The job's folder is shown instead.",
        name=Foreign(path.name),
        why=why,
    )


def _names_of(data: bytes) -> tuple[str, ...]:
    """The endings that a file of such content may have; none for what is not opened."""
    for beginning, names in _BEGINNINGS:
        if data.startswith(beginning):
            return names
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return (".webp",)
    return _TEXT_NAMES if _is_text(data) else ()


def _is_text(data: bytes) -> bool:
    """Whole UTF-8 without control characters, and nothing that turns the direction of writing."""
    if len(data) > OPENED_TEXT_BYTES:
        return False
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return all(line.isprintable() for line in text.translate(_HARMLESS).splitlines())


_HARMLESS = {ord("\t"): " ", 0x200C: None, 0x200D: None}
"""Not printable, but of use: tabs, and what joins letters and emoji."""
