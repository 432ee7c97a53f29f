"""Text from outside: an accident is seen in the tests, and is harmless in the field."""

from __future__ import annotations

import copy
import json
import pickle
import unicodedata
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logbench import foreign
from logbench.errors import LogbenchError, PortMissingError, first_line
from logbench.foreign import Foreign, Line, ToldLine, ToldText, raw
from logbench.words import tr
from tests.hostile import HOSTILE, HOSTILE_IDS, assert_plain

ANY = st.text(st.characters(), max_size=400)
ACCIDENTS = {
    "f-string": lambda text: f"{text}",
    "f-string with a width": lambda text: f"{text:>40}",
    "format": "{}".format,
    "%": lambda text: "%s" % text,  # noqa: UP031
    "% of several": lambda text: "%s %d" % (text, 1),  # noqa: UP031
    "str": str,
    "sum before": lambda text: "car " + text,
    "sum after": lambda text: text + " car",
    "a part": lambda text: f"{text.strip()[:5]}",
    "another case": lambda text: f"{text.upper()}",
    "a word": lambda text: f"{text.split()[0]}",
    "print": print,
}


class Part(BaseModel):
    """A model with each kind of field."""

    model_config = ConfigDict(validate_assignment=True)

    typed: Line = ""
    name: ToldLine = ""
    text: ToldText = ""
    short: ToldText = Field(default="", max_length=5)


@pytest.fixture
def in_the_field() -> Iterator[None]:
    foreign.strict = False
    yield
    foreign.strict = True


@pytest.mark.parametrize("accident", ACCIDENTS.values(), ids=ACCIDENTS.keys())
def test_an_accident_is_seen_in_the_tests(accident):
    with pytest.raises(TypeError, match="foreign text"):
        accident(Foreign("ab cd"))


@pytest.mark.usefixtures("in_the_field")
@pytest.mark.parametrize("accident", ACCIDENTS.values(), ids=ACCIDENTS.keys())
@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_an_accident_in_the_field_is_plain(accident, text, capsys):
    made = accident(Foreign(f"a{text}"))
    assert_plain(capsys.readouterr().out.rstrip("\n") if made is None else made)


def test_foreign_text_is_data_like_any_other():
    text = Foreign("\x1b[1m")
    assert text == "\x1b[1m"
    assert {text: 1}["\x1b[1m"] == 1
    assert json.loads(json.dumps({"name": text})) == {"name": text}
    for again in (pickle.loads(pickle.dumps(text)), copy.deepcopy(text)):
        assert (type(again), again) == (Foreign, text)
    assert type(raw(text)) is str
    assert (type(Foreign(text)), Foreign(text)) == (Foreign, text)
    assert Foreign("a\nb").partition("\n")[0] == Foreign("a").partition("\n")[0] == "a"


@given(ANY)
def test_renderings_are_plain_and_short(text: str):
    for render in (foreign.in_terminal, foreign.in_label, foreign.in_html, foreign.in_plot):
        assert_plain(render(Foreign(text)), lines=render is foreign.in_html)
    assert len(foreign.in_label(text)) <= foreign.MOST_LINE
    once = foreign.in_label(text)
    assert foreign.in_label(once) == once


@given(ANY)
def test_html_gives_no_element_and_the_same_text(text: str):
    found: list[str] = []
    reader = HTMLParser(convert_charrefs=True)
    reader.handle_data = found.append  # type: ignore[method-assign]
    reader.handle_starttag = lambda *_: pytest.fail("an element")  # type: ignore[method-assign]
    reader.feed(foreign.in_html(text, lines=False))
    reader.close()
    assert "".join(found) == foreign.in_label(text)


def test_what_people_write_stays():
    for text in ("Ölwechsel, 5 µm", "نیم‌فاصله", "ไทย ที่นี่", "Việt Nam", "👨‍👩‍👧", "a & b <c>"):
        nfc = unicodedata.normalize("NFC", text)
        assert foreign.in_label(nfc) == nfc
    assert foreign.in_label("a\tb\nc", lines=True) == "a\tb\nc"
    assert foreign.in_label("R&D", keys=True) == "R&&D"
    assert foreign.in_html("a\nb") == "a<br/>b"
    assert foreign.in_plot("<b>a</b>\nb") == "&lt;b&gt;a&lt;/b&gt; b"


def test_a_flood_of_marks_ends():
    assert foreign.in_label("e" + "\u0301" * 500 + "f") == "e" + "\u0301" * 4 + "f"


def test_sentences_take_foreign_text_and_paths_plainly():
    name, path = Foreign("\x1b]0;x\x07<b>"), Path("a\nb")
    assert tr("The car {name} is in {path}.", name=name, path=path) == (
        "The car ]0;x<b> is in a b."
    )
    assert str(PortMissingError("No {name} at {path}.", name=name, path=path)) == (
        "No ]0;x<b> at a b."
    )
    assert str(LogbenchError(f"There is no {path} {{x}}.")) == "There is no a b {x}."
    assert first_line(ValueError("\x1b[1m" + "x" * 500 + "\nb")).startswith("[1mxx")


def test_fields_of_models_are_foreign_and_json_is_not_changed():
    part = Part(typed=" a\x1b \nb ", name="x" * 500, text="a\r\nb\x07")
    assert (part.typed, len(part.name), part.text) == ("a b", foreign.MOST_LINE, "a\nb")
    assert Part.model_validate_json(part.model_dump_json()) == part
    for field in ("typed", "short"):
        with pytest.raises(ValidationError, match="at most"):
            setattr(part, field, "x" * 301)
