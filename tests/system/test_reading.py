"""Files that others made are opened as ordinary files only, and never endlessly."""

from __future__ import annotations

import json
import os
import socket
import time
from pathlib import Path

import pytest

from logbench.system import limits
from logbench.system.reading import check_plain, json_of, read_plain, toml_of


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
@pytest.mark.parametrize("kind", ["pipe", "socket", "device", "link to a pipe", "folder"])
def test_what_is_no_ordinary_file_is_refused_at_once(tmp_path: Path, kind: str):
    path = tmp_path / "x"
    if kind == "socket":
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(str(path))
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    else:
        os.mkfifo(tmp_path / "pipe")
        path.symlink_to(tmp_path / "pipe")
    for read in (lambda: read_plain(path, 100), lambda: check_plain(path)):
        with pytest.raises(OSError, match=r"ordinary|[Dd]irectory|folder"):
            read()


def test_a_file_is_read_whole_or_refused(tmp_path: Path):
    path = tmp_path / "x"
    path.write_bytes(b"a" * 100)
    (tmp_path / "link").symlink_to(path)
    assert read_plain(tmp_path / "link", 100) == b"a" * 100
    assert check_plain(path) == 100
    with pytest.raises(ValueError, match="longer"):
        read_plain(path, 99)


def _deep_toml(depth: int) -> str:
    return "a = " + "[" * depth + "]" * depth


HOSTILE_TOML = {
    "nested far beyond the parser": _deep_toml(100_000),
    "nested beyond the limit": _deep_toml(limits.DOCUMENT_DEPTH + 1),
    "nested tables": "a = " + "{a=" * 5000 + "1" + "}" * 5000,
    "a key of many parts": ".".join("a" * 100_000) + " = 1",
    "a key of many parts in a table": "x = {" + ".".join("a" * 100_000) + " = 1}",
    "a heading of many parts": "[" + ".".join("a" * 100_000) + "]",
    "a million digits": "a = " + "9" * 1_000_000,
    "a million hexadecimal digits": "a = 0x" + "f" * 1_000_000,
    "a million keys": "".join(f"k{n}=1\n" for n in range(1_000_000)),
    "a million values": "a = [" + "1," * 1_000_000 + "]",
    "no text": b"\xff\xfe\x00",
    "half": "a = ",
}


@pytest.mark.parametrize("what", HOSTILE_TOML)
def test_hostile_toml_is_a_value_error_within_a_second(what: str):
    text = HOSTILE_TOML[what]
    begun = time.process_time()
    with pytest.raises(ValueError):
        toml_of(text if isinstance(text, bytes) else text.encode())
    assert time.process_time() - begun < 1.0


@pytest.mark.parametrize(
    "text",
    ["[" * 100_000, '{"a":' * 900 + "1" + "}" * 900, "9" * 1_000_000, "9" * 4000, "{", "\ud800"],
    ids=lambda text: f"{text[:6]!r} of {len(text)}",
)
def test_hostile_json_is_a_value_error(text: str):
    with pytest.raises(ValueError):
        json_of(text)


def test_honest_documents_are_read():
    text = "\n".join(f"k{n} = {'[' * 5}{n}, 1e400, 0xffff{']' * 5}" for n in range(2000))
    assert toml_of(text.encode())["k7"] == [[[[[7, float("inf"), 0xFFFF]]]]]
    notes = 'text = "' + "a.b, c = " * 1000 + '"\n[a.b."c.d"]\nx = 1\n'
    assert toml_of(b"\xef\xbb\xbf" + notes.encode())["a"]["b"]["c.d"] == {"x": 1}
    assert json_of(json.dumps({"a": [1, {"b": None}]})) == {"a": [1, {"b": None}]}
