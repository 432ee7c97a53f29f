"""The log file: where it is, what is not in it, and that two processes do not spoil it."""

from __future__ import annotations

import getpass
import logging
import multiprocessing
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from _pytest.logging import LogCaptureHandler
from hypothesis import given
from hypothesis import strategies as st

from logbench.foreign import Foreign
from logbench.system import log as log_module
from logbench.system.log import BACKUPS, log_file, start_logging, without_personal_data
from tests.hostile import HOSTILE, HOSTILE_IDS, assert_plain

ours = logging.getLogger("logbench.test")


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("VIN ZZ9TEST170X000001 read", "VIN <VIN> read"),
        ("zz9test170x000001.parquet", "<VIN>.parquet"),
        ("ble:11:22:33:AA:BB:CC", "ble:<address>"),
        ("11-22-33-aa-bb-cc gone", "<address> gone"),
        ("0F1E2D3C-0000-1111-2222-123456789abc", "<address>"),
        ("/home/someone/drives/a.parquet", "/home/<user>/drives/a.parquet"),
        ("'/Users/Some One/a.parquet'", "'/Users/<user>/a.parquet'"),
        (r"C:\Users\Some One\a.parquet", r"C:\Users\<user>\a.parquet"),
        (repr(r"C:\Users\some\a"), repr(r"C:\Users\<user>\a")),
        # what is none of these stays: a checksum, a time, an address, a frame, a plain number
        ("0123456789abcdef01234567", "0123456789abcdef01234567"),
        ("2026-05-04T07:40:00 192.168.0.10:35000", "2026-05-04T07:40:00 192.168.0.10:35000"),
        ("7E8 06 41 00 BE 3E A8 13", "7E8 06 41 00 BE 3E A8 13"),
        ("12345678901234567", "12345678901234567"),
    ],
)
def test_personal_data(text, kept):
    assert without_personal_data(text) == kept


def test_the_user_and_the_home_folder(monkeypatch):
    monkeypatch.setattr(log_module, "_user", lambda: ("/srv/people/jo", "jo"))
    assert without_personal_data("/srv/people/jo/x, /media/jo/y, for jo; major joke") == (
        "~/x, /media/<user>/y, for <user>; major joke"
    )


# ISO 3779:2009: 17 of the letters and digits without I, O and Q (from memory)
@given(st.text("ABCDEFGHJKLMNPRSTUVWXYZ", min_size=1, max_size=16), st.data())
def test_no_vin_is_left(letters, data):
    digits = data.draw(
        st.text("0123456789", min_size=17 - len(letters), max_size=17 - len(letters))
    )
    vin = "".join(data.draw(st.permutations(letters + digits)))
    assert vin not in without_personal_data(f"car {vin}: cannot connect")


def test_what_is_kept(tmp_path, capsys):
    path = start_logging("window", folder=tmp_path)
    assert path == tmp_path / "window.log" == log_file()
    assert start_logging("window", folder=tmp_path / "other") == path
    ours.debug("too small")
    ours.info("connected to ZZ9TEST170X000001")
    logging.getLogger("library").info("chatter")
    logging.getLogger("library").warning("trouble")
    try:
        (tmp_path / "ZZ9TEST170X000002").read_text()
    except OSError:
        ours.exception("not opened")
    text = path.read_text()
    assert "connected to <VIN>" in text
    assert "trouble" in text
    assert "FileNotFoundError" in text
    assert not any(word in text for word in ("ZZ9TEST", "too small", "chatter"))
    shown = capsys.readouterr().err
    assert "not opened" in shown
    assert "connected" not in shown


@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_no_text_forges_a_line(text: str, tmp_path, capsys):
    path = start_logging("window", folder=tmp_path)
    root = logging.getLogger()
    for handler in [h for h in root.handlers if isinstance(h, LogCaptureHandler)]:
        root.removeHandler(handler)  # what it keeps would go through a pipe that takes no surrogate
    ours.error("the adapter says %r and %s", text, text)
    ours.error("%s", Foreign(text).strip()[:5] == text)
    try:
        raise ValueError(text)
    except ValueError:
        ours.exception("not understood")
    for whole in (path.read_text(), capsys.readouterr().err):
        assert_plain(whole, lines=True)
    begun = [line for line in path.read_text().splitlines() if not line.startswith("    ")]
    assert len(begun) == 4  # what was started, and three records
    assert all(
        re.match(r"\d{4}-\d\d-\d\d .* (INFO|ERROR) \d+ MainThread logbench", b) for b in begun
    )


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_what_nobody_caught(tmp_path):
    path = start_logging("window", folder=tmp_path)
    thread = threading.Thread(target=lambda: 1 // 0, name="lonely")
    thread.start()
    thread.join()
    try:
        raise LookupError("in a slot")
    except LookupError as error:
        sys.excepthook(type(error), error, error.__traceback__)
    text = path.read_text()
    assert "ZeroDivisionError" in text
    assert "lonely" in text
    assert "LookupError: in a slot" in text


def test_it_is_bounded(tmp_path, monkeypatch):
    monkeypatch.setattr(log_module, "MOST_BYTES", 5_000)
    path = start_logging("window", folder=tmp_path)
    for number in range(1000):
        ours.info("line %d of very many", number)
    files = sorted(tmp_path.glob("window.log*"))
    assert len(files) == BACKUPS + 1
    assert all(file.stat().st_size <= 5_000 for file in files)
    assert "line 999 " in path.read_text()


def _second(folder: Path, ready, done) -> None:
    log_module.MOST_BYTES = 5_000
    path = start_logging("window", folder=folder)
    for number in range(300):
        ours.info("second %d", number)
    ready.put(path)
    done.wait(60)


def test_a_second_process_has_its_own_file(tmp_path, monkeypatch):
    """Both rotate; neither loses or renames what the other writes; the name is free afterwards."""
    monkeypatch.setattr(log_module, "MOST_BYTES", 5_000)
    path = start_logging("window", folder=tmp_path)
    context = multiprocessing.get_context("spawn")
    ready, done = context.Queue(), context.Event()
    other = context.Process(target=_second, args=(tmp_path, ready, done))
    other.start()
    try:
        second = ready.get(timeout=60)
        for number in range(300):
            ours.info("first %d", number)
    finally:
        done.set()
        other.join()
    assert (path.name, second.name) == ("window.log", "window-2.log")
    mine = "".join(file.read_text() for file in tmp_path.glob("window.log*"))
    others = "".join(file.read_text() for file in tmp_path.glob("window-2.log*"))
    assert "first 299" in mine
    assert "second" not in mine
    assert "second 299" in others
    assert "first" not in others
    assert start_logging("window", folder=tmp_path) == path


def test_no_folder_no_file(tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    assert start_logging("command", folder=tmp_path / "file" / "logs") is None
    ours.error("only shown")
    assert "only shown" in capsys.readouterr().err


def test_the_command_line_logs(tmp_path):
    """`logbench --version` alone leaves nothing behind."""
    for arguments, there in ((["--version"], False), (["check", "none.parquet"], True)):
        subprocess.run(
            [sys.executable, "-m", "logbench", *arguments],
            env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
            capture_output=True,
            check=False,
        )
        files = list(tmp_path.rglob("*.log"))
        assert [file.name for file in files] == ["command.log"] * there
    assert "command, Python" in files[0].read_text()
    assert getpass.getuser() not in files[0].read_text().replace("<user>", "")
