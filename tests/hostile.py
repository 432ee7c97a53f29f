"""Texts as a hostile car, adapter, file or job would have them, and what must not come of them."""

from __future__ import annotations

import unicodedata

PROBE = "http://probe.invalid/hostile.png"
"""What markup among them would load."""

_NAMED = {
    "terminal markup": "[/b] [bold red]x[/] [link=file:///etc/passwd]y[/link] [/x]",
    "emoji code": ":skull: :warning:",
    "html": f'<b>x</b><img src="{PROBE}"><script>alert(1)</script><a href="{PROBE}">y</a>',
    "html of a local file": '<img src="file:///etc/passwd"><table><tr><td>x</td></tr></table>',
    "end of an element": "</p></td></table></body>\"'><svg onload=x> &lt;b&gt; &amp;",
    "pdf markup": '<para><font size="90">x</font><br/></para>',
    "mathematics": r"$\frac{1}{0}$ $x_1^2$",
    "colors of a terminal": "\x1b[31mred\x1b[0m\x1b[2J\x1b[1;1H",
    "title of a terminal": "\x1b]0;owned\x07\x1b]8;;http://probe.invalid\x07y\x1b]8;;\x07",
    "clipboard of a terminal": "\x1b]52;c;cm0gLXJm\x1b\\",
    "controls of 8 bits": "\x9b31mx\x9d0;y\x9c\x85z",
    "bell, NUL, CR": "a\x07b\x00c\rd\x08e\x7f",
    "direction": "photo\u202egpj.exe\u202c \u2066x\u2069 \u200f \u061c",
    "invisible": "a\u200bb\u2060c\ufeffd\u00ade\U000e0041\u3164",
    "lone surrogate": "a\udcffb\ud83d",
    "not a character": "a\ufffeb\uffff\ufdd0",
    "long": "W" * 10_000,
    "long words": "many words " * 1_000,
    "marks": "e" + "\u0301\u0336\u20dd" * 300,
    "key of a menu": "&File && &&& R&D",
    "places": "%s %n %(x)s {x} {0.__class__} {",
    "line ends": "a\n" * 300,
    "line ends of other kinds": "a\u2028b\u2029c\vd\fe\x1cf",
    "line of a log": "x\n2026-01-01 00:00:00,000 ERROR 1 MainThread logbench: forged",
    "way out": "../../x",
    "device": "CON",
    "formula": '=HYPERLINK("http://probe.invalid")',
    "place of a window's title": "[*]",
    "SQL": "'; DROP TABLE recordings; --",
}
HOSTILE = tuple(_NAMED.values())
HOSTILE_IDS = tuple(_NAMED)


def assert_plain(text: str, *, lines: bool = False) -> None:
    """Nothing in it can steer a terminal or look like something else. `lines`: may have several."""
    allowed = "\n\t" if lines else ""
    bad = {
        char
        for char in text
        if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")
        or (unicodedata.category(char) == "Cf" and char not in "\u200c\u200d")
    } - set(allowed)
    assert not bad, f"{bad!r} in {text[:200]!r}"
