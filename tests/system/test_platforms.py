"""What differs between systems: each by putting the other system's parts in place of this one's."""

from __future__ import annotations

import ast
import errno
import io
import os
import signal
import sys
import types
from pathlib import Path

import pytest
from platformdirs.macos import MacOS
from platformdirs.unix import Unix

from logbench.cli.main import main
from logbench.recording.place import created
from logbench.recording.storage import storage_error, write_whole
from logbench.system import platforms
from logbench.system.memory import work_bytes
from logbench.vehicle.links import schemes

LOGBENCH = Path(platforms.__file__).parents[1]


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(platforms, "SYSTEM", "windows")
    monkeypatch.setattr(platforms.time, "sleep", lambda _: None)


# --- one home ---

ELSEWHERE = {
    "words.py": "stands below the package of this module",
    "app/preflight.py": "takes the system as a parameter",
    "app/details.py": "says it, for a report of a fault",
    "system/log.py": "writes down what it runs on",
}
OF_ONE_SYSTEM = {
    "fcntl", "msvcrt", "winreg", "winsound", "resource", "termios", "pty", "pwd", "grp", "platform",
    "platformdirs", "posix", "nt",
}  # fmt: skip


def _looks_at_the_system(node: ast.AST) -> bool:
    """`os.name`, `sys.platform`, `hasattr(os, …)`, modules and calls that one system lacks."""
    match node:
        case ast.Attribute(value=ast.Name(id=module), attr=name):
            only_some = {"pread", "posix_fadvise", "posix_fallocate", "getuid", "pthread_sigmask"}
            return (module, name) in {("os", "name"), ("sys", "platform")} or name in only_some
        case ast.Call(func=ast.Name(id="hasattr" | "getattr"), args=[ast.Name(id=module), *_]):
            return module in {"os", "signal", "time", "socket", "subprocess"}
        case ast.Import(names=names):
            return bool({name.name for name in names} & OF_ONE_SYSTEM)
        case ast.ImportFrom(module=module):
            return module in OF_ONE_SYSTEM
    return False


def test_only_one_module_asks_which_system_it_is():
    asking = {
        path.relative_to(LOGBENCH).as_posix()
        for path in LOGBENCH.rglob("*.py")
        if any(map(_looks_at_the_system, ast.walk(ast.parse(path.read_text("utf-8")))))
    }
    assert asking == {"system/platforms.py", *ELSEWHERE}


# --- folders ---


def test_each_kind_of_file_is_where_its_system_keeps_it(monkeypatch: pytest.MonkeyPatch):
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    kinds = ("config", "data", "cache", "log")
    places = {
        Unix: (".config/logbench", ".local/share/logbench", ".cache/logbench",
               ".local/state/logbench/log"),
        MacOS: ("Library/Application Support/logbench", "Library/Application Support/logbench",
                "Library/Caches/logbench", "Library/Logs/logbench"),
    }  # fmt: skip
    for system, wanted in places.items():
        for kind, place in zip(kinds, wanted, strict=True):

            def found(name: str, appauthor: bool, kind: str = kind, of: type = system) -> Path:
                return getattr(of(name, appauthor=appauthor), f"user_{kind}_path")

            monkeypatch.setattr(platforms, f"user_{kind}_path", found)
            assert getattr(platforms, f"{kind}_home")() == Path.home() / place


# --- files ---


def test_a_lock_on_windows_is_on_one_byte_far_behind(tmp_path: Path, monkeypatch, windows):
    held: list[tuple[int, int]] = []

    def locking(fd: int, mode: int, length: int) -> None:
        if held:
            raise OSError(errno.EACCES, "taken")
        held.append((os.lseek(fd, 0, os.SEEK_CUR), length))

    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    with (tmp_path / "a").open("w+b", buffering=0) as file:
        file.write(b"abc")
        assert platforms.try_lock(file.fileno())
        assert not platforms.try_lock(file.fileno())
        assert file.tell() == 3
    assert held == [(0x7FFF_FFF0, 1)]


def test_a_file_that_another_program_looks_at_is_replaced_a_moment_later(
    tmp_path: Path, monkeypatch, windows
):
    real, refused = Path.replace, []

    def held(self: Path, target: Path) -> Path:
        if len(refused) < 3:
            refused.append(self)
            raise PermissionError(errno.EACCES, "in use")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", held)
    write_whole(tmp_path / "settings.json", b"new")
    assert (tmp_path / "settings.json").read_bytes() == b"new"
    assert len(refused) == 3


def test_a_file_that_stays_in_use_is_refused_and_a_taken_name_at_once(
    tmp_path: Path, monkeypatch, windows
):
    tries: list[int] = []

    def refuse(error: OSError):
        def rename(*_: object) -> None:
            tries.append(1)
            raise error

        return rename

    monkeypatch.setattr(os, "rename", refuse(PermissionError(errno.EACCES, "in use")))
    with pytest.raises(PermissionError):
        platforms.claim(tmp_path / "a", tmp_path / "b")
    assert len(tries) == 6
    monkeypatch.setattr(os, "rename", refuse(FileExistsError(errno.EEXIST, "there")))
    assert platforms.claim(tmp_path / "a", tmp_path / "b") is False
    assert len(tries) == 7


def test_a_journal_on_windows_has_its_name_from_the_start(tmp_path: Path, monkeypatch, windows):
    """An open file cannot be renamed there; and folders are not opened to be made durable."""
    monkeypatch.setattr(platforms, "open_files_can_go", lambda: False)
    monkeypatch.setitem(
        sys.modules, "msvcrt", types.SimpleNamespace(locking=lambda *_: None, LK_NBLCK=2)
    )
    opened: list[str] = []
    real = os.open
    monkeypatch.setattr(
        os, "open", lambda path, *rest: opened.append(str(path)) or real(path, *rest)
    )
    os.close(created(tmp_path / "drive.journal", b"head"))
    assert opened == [str(tmp_path / "drive.journal")]


def test_room_is_reserved_by_length_on_windows(tmp_path: Path, windows):
    with (tmp_path / "a").open("w+b") as file:
        platforms.reserve(file.fileno(), 10, 4096)
        assert os.fstat(file.fileno()).st_size == 4106


def test_what_a_system_lacks_is_done_without(tmp_path: Path, monkeypatch):
    with (tmp_path / "a").open("w+b", buffering=0) as file:
        file.write(bytes(9))
        assert platforms.read_at(file.fileno(), 4, 2) == bytes(4)
        for name in ("pread", "SEEK_DATA", "posix_fallocate"):
            monkeypatch.delattr(os, name)
        assert platforms.read_at(file.fileno(), 4, 2) is None
        assert platforms.next_data(file.fileno(), 5) == 5
        platforms.reserve(file.fileno(), 0, 4096)
        assert os.fstat(file.fileno()).st_size == 9
    monkeypatch.delattr(platforms.time, "CLOCK_BOOTTIME")
    assert platforms.boot_clock().run == ""


# --- names ---


@pytest.mark.parametrize("name", ["CON", "nul.csv", "com9", "LPT¹.parquet", "aux .txt"])
def test_names_of_devices(name: str):
    assert platforms.is_device(name)
    assert not platforms.is_device(f"{name[:2]}-{name}")


def test_a_name_that_is_too_long_is_said_to_be(tmp_path: Path, monkeypatch):
    with pytest.raises(OSError) as raised:
        (tmp_path / ("a" * 300)).write_bytes(b"")
    assert "too long" in str(storage_error(raised.value, tmp_path / ("a" * 300)))
    monkeypatch.setattr(platforms, "SYSTEM", "windows")
    gone = FileNotFoundError(errno.ENOENT, "The system cannot find the path specified")
    long = Path("C:/jobs") / ("a" * 120) / ("b" * 150)
    assert "choose a shorter one" in str(storage_error(gone, long))
    assert "does not exist" in str(storage_error(gone, Path("C:/jobs/a")))


@pytest.mark.parametrize("port", ["COM3", "COM10", "com27", r"\\.\COM10", "/dev/cu.usbserial-10"])
def test_a_port_may_be_typed_by_its_name(port: str):
    assert schemes.link_url_of(port) == f"serial:{port}"
    assert schemes.parse_url(f"serial:{port}?baud=38400", "", frozenset({"baud"})).place == port


def test_ports_are_listed_in_order(monkeypatch):
    ports = [
        types.SimpleNamespace(device=name, description="", hwid="USB")
        for name in ("COM10", "COM3", "COM27", "/dev/ttyUSB1")
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    found = [choice.url for choice in schemes.SCHEMES["serial"].devices()]
    assert found == ["serial:/dev/ttyUSB1", "serial:COM3", "serial:COM10", "serial:COM27"]


# --- processes ---


def test_processes_and_signals_of_windows(monkeypatch, windows):
    monkeypatch.setattr(signal, "SIGBREAK", 21, raising=False)
    monkeypatch.delattr(signal, "SIGHUP")
    monkeypatch.delattr(signal, "pthread_sigmask")
    monkeypatch.setattr(platforms.subprocess, "CREATE_NO_WINDOW", 0x0800_0000, raising=False)
    assert platforms.ending_signals() == (signal.SIGTERM, 21)
    with platforms.no_interrupt():
        pass
    assert platforms.without_console() == 0x0800_0000
    assert platforms.as_typed(["logbench", "record", r"C:\my drives\a"]) == (
        r'logbench record "C:\my drives\a"'
    )
    assert not platforms.has_terminals()
    platforms.limit_self(0, 0)


def test_memory_of_windows(monkeypatch, windows):
    class Library:
        @staticmethod
        def GlobalMemoryStatusEx(status) -> int:
            status._obj.total = 16_000_000_000 if status._obj.length == 64 else 0
            return 1

    monkeypatch.setattr(platforms, "_windows_library", lambda name: Library)
    assert platforms.whole_memory_bytes() == 16_000_000_000
    assert work_bytes() >= 1_000_000_000


def test_a_child_on_windows_is_held_by_a_job(monkeypatch, windows):
    said: list[tuple] = []

    class Create:
        def __call__(self, *_: object) -> int:
            return 7

    class Library:
        CreateJobObjectW = Create()

        @staticmethod
        def SetInformationJobObject(job, kind, limits, size) -> int:
            held = limits._obj
            said.append((job.value, kind, held.flags, held.processes, held.process_memory, size))
            return 1

        @staticmethod
        def AssignProcessToJobObject(job, process) -> int:
            said.append((job.value, process.value))
            return 1

    monkeypatch.setattr(platforms, "_windows_library", lambda name: Library)
    platforms.keep_in_job(types.SimpleNamespace(_handle=42), 5_000)
    assert said == [(7, 9, 0x2108, 1, 5_000, 144), (7, 42)]  # sizes of a 64-bit Windows


# --- what is printed ---


def test_a_pipe_of_few_signs_gets_plainer_ones(monkeypatch):
    """Windows gives a pipe cp1252: 'check' ended in a traceback there, with exit code 1, which is
    'watch'; and a minus must stay one."""
    written = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(written, encoding="cp1252"))
    assert main(["--version"]) == 0
    print("−3 ≤ λ ± 2 °C …", "\N{SNOWMAN}")
    sys.stdout.flush()
    assert written.getvalue().decode("cp1252").splitlines()[-1] == "-3 <= lambda ± 2 °C … ?"
