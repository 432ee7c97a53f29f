"""The report in another language: nothing of the program's words stays English."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from babel.messages.pofile import read_po

from docs import gather_words as gather
from logbench import words
from logbench.errors import UsageError
from logbench.job.folder import JobFolder
from logbench.job.model import Job
from logbench.report.document import build_report, make_document, report_sentences
from logbench.report.gather import Material
from logbench.report.gather import gather as gathered
from logbench.report.options import ReportOptions
from logbench.report.sentences import default_sentences
from logbench.report.typeset import _content
from tests.app.pseudo import LANGUAGE, plain_words, write_catalog
from tests.report.conftest import example_job

NOT_TEXT = {"type", "kind", "key", "jpeg", "date", "lang", "paper", "keywords"}
STANDARDS_WORDS = ["System Too Lean, bank 1", "System Too Lean"]
"""Of trouble codes, as SAE J2012 has them: kept as they are, in any language."""
RECORDED = ["demo car", "four-cylinder", "none, computed", "Coolant", "ECM-EngineControl"]
ALTERED = re.compile(r"[àëîöûÀËÎÖÛ]")
CATALOGS = sorted(words.FOLDER.glob("*/LC_MESSAGES/logbench.po"))


def texts(part: Any) -> Iterator[str]:
    """Every text of a document as the template gets it, those of charts, too."""
    if isinstance(part, str):
        yield from re.findall(r"<text[^>]*>([^<]*)<", part) if part.startswith("<svg") else [part]
    elif isinstance(part, list):
        for one in part:
            yield from texts(one)
    elif isinstance(part, dict):
        for name, value in part.items():
            if name not in NOT_TEXT:
                yield from texts(value)


def typed(part: Any) -> Iterator[str]:
    """Every text that a person typed."""
    values = part.values() if isinstance(part, dict) else part if isinstance(part, list) else ()
    for value in values:
        yield from [value] if isinstance(value, str) else typed(value)


@pytest.fixture
def foreign(tmp_path: Path) -> Iterator[None]:
    write_catalog(tmp_path)
    words.use(tmp_path, [LANGUAGE])
    yield
    words.use(words.FOLDER, [])


@pytest.mark.usefixtures("foreign")
def test_no_word_of_the_program_stays_english(example: tuple[JobFolder, Job]):
    """Page one, all sections and the words in and beside the charts, in a made-up language."""
    folder, job = example[0], example[1].model_copy(deep=True)
    for number, drive in enumerate(job.recordings):
        drive.label = str(number)  # "before" as a name would hide one as a word
    document = make_document(gathered(folder, job, ReportOptions()))
    content = json.loads(_content(document, "A4"))
    assert content["lang"] == LANGUAGE
    known = [*typed(example_job().model_dump(mode="json")), *STANDARDS_WORDS, *RECORDED]
    known += [job.title, "The hose with its split.", "logbench", "{page}", "{pages}", "{text}"]
    known += ["{heading}", *(drive.file for drive in job.recordings)]
    left = {}
    for text in texts(content):
        whole = re.sub(r"\b(?=\w*\d)[0-9a-f]{8,}\b|«[^«»]*(?=«… \()", " ", text)  # sums; cut off
        plain = [w for w in plain_words(whole, known) if not ALTERED.search(w)]
        if plain:
            left[text] = plain
    assert left == {}


@pytest.mark.usefixtures("foreign")
def test_a_sentence_that_was_rewritten_stays_as_it_was_typed(material: Material):
    key = next(iter(default_sentences(material)))
    job = material.job.model_copy(update={"sentences": {key: "Found: what was found."}})
    rewritten = dataclasses.replace(material, job=job)
    content = json.loads(_content(make_document(rewritten), "A4"))
    assert any("Found: what was found." in text for text in texts(content))


def test_every_catalog_is_whole():
    """Compiled as it stands, nothing fuzzy, and every translation has the places of its English."""
    assert [path.parents[1].name for path in CATALOGS] == ["de", "es"]
    known = {message.id for message in gather.gathered()}
    for path in CATALOGS:
        with path.open("rb") as file:
            catalog = read_po(file)
        assert "awaiting review by a native technician" in catalog.header_comment
        assert path.with_suffix(".mo").read_bytes() == gather.compiled(path)
        for message in catalog:
            assert not message.fuzzy, message.id
            if not message.id or not message.string:
                continue
            assert message.id in known, message.id
            for english, other in zip(_forms(message.id), _forms(message.string), strict=True):
                assert _places(other) == _places(english), english


def _forms(text: object) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(map(str, text))  # type: ignore[arg-type]


def _places(text: str) -> set[str]:
    return set(re.findall(r"(?<!{){[a-z_]\w*[^{}]*}", text))


@pytest.mark.parametrize(
    ("language", "title", "found"),
    [
        ("de", "Diagnosebericht", "Gemischkorrektur"),
        ("es", "Informe de diagnóstico", "ajuste de combustible"),
    ],
)
def test_a_report_in_that_language_is_typeset(
    example: tuple[JobFolder, Job], tmp_path: Path, language: str, title: str, found: str
):
    folder, job = example
    out = tmp_path / "report.html"
    build_report(folder, job, out, ReportOptions(language=language))
    page = out.read_text(encoding="utf-8")
    assert f'<html lang="{language}"' in page
    assert title in page
    assert found in page
    assert "What was found" not in page
    assert words.language() == "en"  # only the report spoke it
    pdf = tmp_path / "report.pdf"
    build_report(folder, job, pdf, ReportOptions(language=language, audience="owner"))
    assert pdf.read_bytes().startswith(b"%PDF")


def test_sentences_to_rewrite_are_in_the_language_of_the_report(example: tuple[JobFolder, Job]):
    english = report_sentences(*example)
    german = report_sentences(*example, ReportOptions(language="de"))
    assert german.keys() == english.keys()
    assert not set(german.values()) & set(english.values())


def test_a_language_that_is_not_there_is_refused():
    with pytest.raises(UsageError, match="no report in 'fr': choose one of en, de, es"):
        ReportOptions(language="fr")
