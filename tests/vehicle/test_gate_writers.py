"""Who may write to a port: the gate alone, held over every module of the package."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

import logbench

PACKAGE = Path(logbench.__file__).parent
WRITES = {
    *("write", "writelines", "send", "sendall", "sendto", "sendmsg", "sendfile", "send_break"),
    *("send_periodic", "write_gatt_char", "write_gatt_descriptor"),
}


def calls_in(tree: ast.AST):
    """Names of attributes taken of anything, with the class and function they stand in."""
    todo = [(tree, ())]
    while todo:
        node, inside = todo.pop()
        if isinstance(node, ast.Attribute):
            yield node.attr, ".".join(inside)
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            inside = (*inside, node.name)
        todo += [(child, inside) for child in ast.iter_child_nodes(node)]


@functools.cache
def parsed() -> dict[str, ast.Module]:
    """Every module of the package."""
    return {
        path.relative_to(PACKAGE).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
        for path in sorted(PACKAGE.rglob("*.py"))
    }


def test_no_module_but_the_gate_writes_to_a_port():
    found = {
        (name, inside, attribute)
        for name, tree in parsed().items()
        for attribute, inside in calls_in(tree)
        if attribute in WRITES and name.startswith("vehicle/")
    }
    links = "vehicle/links/"
    assert found == {
        ("vehicle/gate.py", "LineGate.command", "write"),
        ("vehicle/gate.py", "FrameGate.frame", "write"),
        (f"{links}serial.py", "SerialPort.write", "write"),
        (f"{links}tcp.py", "SocketPort.write", "sendall"),
        (f"{links}can.py", "CanPort.write", "send"),
        (f"{links}ble.py", "BlePort.write", "write_gatt_char"),
        # names the characteristic that is written to
        (f"{links}ble.py", "BlePort.write", "write"),
        (f"{links}ble.py", "BleLink._find_serial_line", "write"),
    }


def test_ports_are_made_for_a_gate_and_kept_by_nobody_else():
    """Each port is made in one place, where it goes into a gate; nothing takes it out again."""
    made = []
    for name, tree in parsed().items():
        for node in ast.walk(tree):
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            if called.split(".")[-1] in ("SerialPort", "SocketPort", "BlePort", "CanPort"):
                made.append((name, called))
        if name != "vehicle/gate.py" and name.startswith("vehicle/"):
            assert "_port" not in {attribute for attribute, _ in calls_in(tree)}, name
    assert sorted(made) == [
        ("vehicle/links/ble.py", "BlePort"),
        ("vehicle/links/can.py", "CanPort"),
        ("vehicle/links/serial.py", "SerialPort"),
        ("vehicle/links/tcp.py", "SocketPort"),
    ]


def test_nobody_else_speaks_to_hardware():
    """Serial ports, sockets, buses and radio are used by links alone, and by the simulated car."""
    speaking = {
        name
        for name, tree in parsed().items()
        for node in ast.walk(tree)
        for module in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
        if module.split(".")[0] in ("serial", "socket", "can", "bleak")
    }
    assert {name for name in speaking if not name.startswith("simulator/")} == {
        *(f"vehicle/links/{name}.py" for name in ("serial", "tcp", "can", "ble")),
        "vehicle/links/schemes.py",  # lists the serial ports there are
        "vehicle/links/nearby.py",  # finds adapters, and sends them nothing
        "screen/server.py",  # serves the second screen, and knows no car
        "vehicle/gate.py",  # the type of a message
        "importing/can_frames.py",  # reads files
    }


def test_permits_are_made_by_the_guard_alone():
    makers = {
        name
        for name, tree in parsed().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] == "Permit"
    }
    assert makers == {"vehicle/records/clearing.py"}
