"""The entry in the desktop's menu: written, read back by its specification, and taken away."""

from __future__ import annotations

import configparser
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from logbench.cases import desktop
from logbench.cli.main import main
from logbench.errors import UsageError
from logbench.system import platforms


def read_entry(path: Path) -> configparser.SectionProxy:
    parser = configparser.RawConfigParser(delimiters="=", strict=True)
    parser.optionxform = str
    parser.read(path, "utf-8")
    return parser["Desktop Entry"]


def arguments(line: str) -> list[str]:
    """The key `Exec` taken apart: escapes of a string, quotes, escapes in quotes, `%%`."""
    text = line.replace("\\\\", "\\")
    found = re.findall(r'"((?:[^"\\]|\\.)*)"|(\S+)', text)
    return [re.sub(r"\\(.)", r"\1", a).replace("%%", "%") or b for a, b in found]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    return tmp_path / "share"


def test_it_is_written_and_taken_away_whole(home: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["desktop"]) == 0
    entry = read_entry(home / "applications/logbench.desktop")
    assert entry["Icon"] == "logbench"
    assert entry["MimeType"] == "application/vnd.apache.parquet;"
    *command, verb, files = arguments(entry["Exec"])
    assert tuple(command) == desktop.own_command()
    assert (verb, files) == ("open", "%F")
    kind = ET.parse(home / "mime/packages/logbench.xml").getroot()
    names = [node.get("pattern") for node in kind.iter() if node.tag.endswith("}glob")]
    assert names == ["*.parquet"]
    icon = home / "icons/hicolor/scalable/apps/logbench.svg"
    assert icon.read_bytes() == desktop.ICON.read_bytes()
    assert main(["desktop", "--remove"]) == 0
    assert not list(home.rglob("logbench.*"))
    capsys.readouterr()
    assert main(["desktop", "--remove"]) == 0
    assert "no entry" in capsys.readouterr().out


@pytest.mark.parametrize("odd", ["a b", 'a"b', "a\\b", "50%", "$HOME", "`id`", "it's", "ä"])
def test_any_folder_of_the_program_is_quoted(tmp_path: Path, odd: str):
    desktop.install(tmp_path, [f"/opt/{odd}/logbench", "-v"])
    line = read_entry(tmp_path / "applications/logbench.desktop")["Exec"]
    assert arguments(line)[:2] == [f"/opt/{odd}/logbench", "-v"]


def test_elsewhere_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(platforms, "SYSTEM", "windows")
    with pytest.raises(UsageError, match="shortcut to"):
        desktop.install()
