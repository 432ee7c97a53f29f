"""What of a stranger's job is opened: by its content, under a name that says the same."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from logbench.errors import JobDamagedError
from logbench.job.names import place_inside
from logbench.job.opening import why_not_opened

PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 50
JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 50
PDF = b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"
WEBP = b"RIFF\x10\0\0\0WEBPVP8 "
DESKTOP = b"[Desktop Entry]\nType=Application\nExec=sh -c 'touch /tmp/x'\n"

OPENED = {
    "a.png": PNG, "a.PNG": PNG, "a.jpg": JPEG, "a.jpeg": JPEG, "a.gif": b"GIF89a" + b"\0" * 9,
    "a.webp": WEBP, "a.pdf": PDF, "a.txt": b"Noise at 60 mph\n",
    "Übergabe 2.txt": "Ü 😀\t1".encode(),
    "a.log": b"\xef\xbb\xbfone\r\ntwo\r\n", "a.md": b"", "two.dots.pdf": PDF,
}  # fmt: skip
NOT_OPENED = {
    # a program under the name of a picture
    "a program.png": b"MZ\x90\0", "an ELF.jpg": b"\x7fELF\x02",
    "a script.png": b"#!/bin/sh\nrm x\n",
    "photo.svg": b"<svg xmlns='http://www.w3.org/2000/svg'/>", "svg.png": b"<svg/>",
    "page.html": b"<html><script>x()</script></html>", "page.pdf": b"<html></html>",
    "late.pdf": b"junk %PDF-1.7",
    # a name that another program opens, whatever it holds
    "a.desktop": DESKTOP, "b.desktop": PNG, "a.exe": PNG, "a.png.exe": PNG, "a.lnk": PNG,
    "a.bat": b"@echo off\r\n", "a.html": PNG, "a.hta": b"plain text",
    "a.url": b"[InternetShortcut]",
    "a.js": b"x()", "a.csv": b"=cmd|' /C calc'!A0\n", "a.docm": b"PK\x03\x04", "a": b"plain text",
    "a.scr": JPEG, "a.jar": b"PK\x03\x04", "a.jpg": PNG, "a.txt": PDF, "a.ps1": b"plain text",
    "a.png ": PNG, "a.library-ms": b"<xml/>", "a.zip": b"PK\x03\x04", "a.iso": b"\0" * 9,
    # writing that turns around
    "photo_\u202egnp.exe": PNG, "photo_\u202eexe.png": PNG, "zero\u200bwidth.png": PNG,
    "two\nlines.txt": b"x", "turned.txt": "abc \u202etxt.exe".encode(),
    # no text
    "controls.txt": b"abc\x1b[2Jdef", "latin.txt": b"\xfcber", "nul.txt": b"a\0b",
    "utf16.txt": "abc".encode("utf-16"), "long.txt": b"a" * 10_000_001,
}  # fmt: skip


@pytest.mark.parametrize("name", OPENED)
def test_opened(tmp_path: Path, name: str):
    (tmp_path / name).write_bytes(OPENED[name])
    assert why_not_opened(tmp_path / name) == ""


@pytest.mark.skipif(os.name == "nt", reason="there are no such names")
@pytest.mark.parametrize("name", NOT_OPENED)
def test_not_opened(tmp_path: Path, name: str):
    (tmp_path / name).write_bytes(NOT_OPENED[name])
    sentence = why_not_opened(tmp_path / name)
    assert "folder is shown instead" in sentence
    assert "\u202e" not in sentence
    assert "\n" not in sentence


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
def test_what_is_no_file_is_not_opened(tmp_path: Path):
    os.mkfifo(tmp_path / "pipe.png")
    (tmp_path / "folder.png").mkdir()
    for name in ("pipe.png", "folder.png", "missing.png"):
        assert "cannot be opened" in why_not_opened(tmp_path / name)


@pytest.mark.skipif(os.name == "nt", reason="links need a right there")
def test_a_link_is_followed_within_the_job_only(tmp_path: Path):
    job = tmp_path / "job"
    job.mkdir()
    (tmp_path / "secret.png").write_bytes(PNG)
    (job / "out.png").symlink_to(tmp_path / "secret.png")
    with pytest.raises(JobDamagedError, match="leads out"):
        place_inside(job, "out.png")
    (job / "run.exe").write_bytes(PNG)
    (job / "in.png").symlink_to(job / "run.exe")
    assert "folder is shown instead" in why_not_opened(place_inside(job, "in.png"))
