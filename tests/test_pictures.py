"""The pictures that README.md and docs/ show are those of the program as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from docs.picture_sources import ROOT, SHOWN, constants_of, digest_of, kept


@pytest.mark.parametrize("picture", SHOWN)
def test_no_picture_is_stale(picture: str):
    """If not: run `docs/make_screenshots.py`, and look at what it made."""
    assert digest_of(picture) == kept()[picture]


def test_every_picture_has_its_sources():
    assert {path.stem for path in (ROOT / "docs/screenshots").iterdir()} == set(SHOWN)
    assert set(kept()) == set(SHOWN)


def test_a_word_a_size_and_a_style_make_a_picture_stale(tmp_path: Path, monkeypatch):
    from docs import picture_sources

    page = tmp_path / "page.py"
    style = tmp_path / "style.qss"
    page.write_text('"""A page."""\nWIDE_PX = 300\nTITLE = tr("Cars")\n', encoding="utf-8")
    style.write_text("QLabel { color: red; }", encoding="utf-8")
    monkeypatch.setattr(picture_sources, "ROOT", tmp_path)
    monkeypatch.setattr(picture_sources, "_DRIVE", ())
    monkeypatch.setattr(picture_sources, "SHOWN", {"page": ("*.py", "*.qss")})
    first = digest_of("page")
    for path, old, new in (
        (page, "Cars", "Drives"),
        (page, "300", "301"),
        (style, "red", "blue"),
    ):
        was = path.read_text(encoding="utf-8")
        path.write_text(was.replace(old, new), encoding="utf-8")
        assert digest_of("page") != first
        path.write_text(was, encoding="utf-8")
    page.write_text('"""Another."""\nPX = 300  # why\nNAME = tr("Cars")\n', encoding="utf-8")
    assert digest_of("page") == first


def test_docstrings_do_not_count():
    assert constants_of('"""A."""\ndef f():\n    """B."""\n    return 1\n') == "1"
