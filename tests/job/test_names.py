"""File names against the rules of the file systems; paths that stay inside."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import JobDamagedError
from logbench.job.names import MOST_BYTES, check_inside, free_name, place_inside, safe_name


@given(st.text(max_size=400))
def test_any_text_becomes_a_name_for_every_file_system(text):
    """Rules: Windows' naming conventions (from memory), POSIX, and NFC for macOS."""
    name = safe_name(text)
    assert name
    assert len(name.encode()) <= MOST_BYTES + 1
    assert not set('<>:"/\\|?*') & set(name)
    assert all(unicodedata.category(char) not in ("Cc", "Cs") for char in name)
    assert name == name.strip(" .")
    assert name.split(".")[0].lower() not in {"con", "prn", "aux", "nul", "com1", "lpt9"}
    assert unicodedata.is_normalized("NFC", name)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("before.parquet", "before.parquet"),
        ("../../etc/passwd", "etc-passwd"),
        ("CON", "_CON"),
        ("com1.txt", "_com1.txt"),
        ("con.tar.gz", "_con.tar.gz"),
        ("a" * 300 + ".jpg", "a" * 116 + ".jpg"),
        ("<img src=x onerror=alert(1)>.png", "img src=x onerror=alert(1)-.png"),
        ("rückseite.jpg", "rückseite.jpg"),
        ("tab\tnew\nline\x00.txt", "tabnewline.txt"),
        ("right\u202eto-left.exe", "rightto-left.exe"),
        ("...", "file"),
        ("", "file"),
    ],
)
def test_names(text, name):
    assert safe_name(text) == name


def test_a_number_is_added_to_a_name_in_use():
    assert free_name("a.jpg", {"a.jpg", "a-2.jpg"}) == "a-3.jpg"
    assert free_name("A.jpg", {"a.jpg"}) == "A-2.jpg"
    assert free_name("b", {"b"}) == "b-2"


@pytest.mark.parametrize(
    "text",
    ["", "/etc/passwd", "../x", "a/../../x", "a/./b", "C:/x", "c:x", "a\\b", "a\0b", "\\\\host\\x"],
)
def test_what_leads_out_is_refused(text, tmp_path):
    with pytest.raises(ValueError):
        check_inside(text)
    with pytest.raises(JobDamagedError):
        place_inside(tmp_path, text)


def test_links_that_lead_out_are_refused(tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_text("secret")
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "link.txt").symlink_to(outside)
    (folder / "up").symlink_to(tmp_path)
    (folder / "round").symlink_to(folder / "round")
    for text in ("link.txt", "up/outside.txt", "round"):
        with pytest.raises(JobDamagedError):
            place_inside(folder, text)
    assert place_inside(folder, "a/b.txt") == (folder / "a" / "b.txt").resolve()
