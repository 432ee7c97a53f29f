"""How near the simulated adapter comes to the bound of its own timing model.

A plain socket client asks for twelve signals in packed requests, as fast as the prompts come, and
python-OBD asks for the same one by one; another client does it on a CAN bus without an adapter.
Run it by hand: `python tests/benchmarks/bench_adapter.py`. Prints samples a second and their ratio
to the computed bound.
"""

from __future__ import annotations

import socket
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import can
import obd

sys.path.insert(0, str(Path(__file__).parents[2]))  # for `tests`

from logbench.simulator.protocols import PROTOCOLS
from logbench.simulator.serve import SimulatedCar
from logbench.vehicle.framing import CanAssembler
from tests.bounds import best_packing

PIDS = (0x0C, 0x10, 0x0B, 0x11, 0x06, 0x07, 0x04, 0x0D, 0x0E, 0x05, 0x0F, 0x42)
FLOW = bytes.fromhex("3000000000000000")
LINKS = {"wire": "", "usb-like": "&delay_ms=1", "bluetooth-like": "&delay_ms=20"}


class Client:
    """The least a client can be: write a line, read to the prompt."""

    def __init__(self, url: str) -> None:
        where = urlsplit(url)
        self.socket = socket.create_connection((where.hostname, where.port), timeout=10)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def ask(self, line: str) -> bytes:
        self.socket.sendall(line.encode() + b"\r")
        reply = b""
        while not reply.endswith(b">"):
            reply += self.socket.recv(4096)
        return reply


def measured(url: str, groups: list[tuple[int, ...]], seconds: float = 4.0) -> float:
    """Samples a second of the plain client, in the given requests."""
    client = Client(url)
    for line in ("ATZ", "ATE0", "ATL0", "ATS0", "ATH1", "ATSP6", "ATAT1", "0100"):
        client.ask(line)
    lines = []
    for group in groups:
        text = "01" + "".join(f"{pid:02X}" for pid in group)
        lines.append(text + str(client.ask(text).count(b"7E8")))
    samples = 0
    begin = time.monotonic()
    while time.monotonic() - begin < seconds:
        for group, line in zip(groups, lines, strict=True):
            reply = client.ask(line)
            assert reply.count(b"7E8") == int(line[-1]), reply
            samples += len(group)
    elapsed = time.monotonic() - begin
    client.socket.close()
    return samples / elapsed


def one_by_one(url: str, seconds: float = 4.0) -> float:
    """Samples a second of python-OBD asked for one PID after the other, without its pauses."""
    connection = obd.OBD(url.replace("tcp://", "socket://"), baudrate=115_200, fast=True)
    assert connection.is_connected()
    commands = [obd.commands[1][pid] for pid in PIDS]
    samples = 0
    begin = time.monotonic()
    while time.monotonic() - begin < seconds:
        for command in commands:
            samples += not connection.query(command, force=True).is_null()
    elapsed = time.monotonic() - begin
    connection.close()
    return samples / elapsed


def native(seconds: float = 4.0) -> tuple[float, float]:
    """Samples a second over a CAN bus between two processes, and the bound."""
    channel = "239.74.163.90"
    with (
        SimulatedCar("car=still&latency_ms=5", wire=f"can:udp_multicast/{channel}") as car,
        can.Bus(interface="udp_multicast", channel=channel) as bus,
    ):
        total_s, groups = best_packing(PIDS, car.options.timing, PROTOCOLS["6"], native=True)
        samples = 0
        begin = time.monotonic()
        while time.monotonic() - begin < seconds:
            for group in groups:
                data = bytes((len(group) + 1, 1, *group)).ljust(8, b"\0")
                one_message(bus, data)
                samples += len(group)
        return samples / (time.monotonic() - begin), len(PIDS) / total_s


def one_message(bus: can.BusABC, data: bytes) -> bytes:
    """Ask the engine's ECU alone, and assemble its answer."""
    bus.send(can.Message(arbitration_id=0x7E0, data=data, is_extended_id=False))
    assembler = CanAssembler()
    while True:
        message = bus.recv(1.0)
        assert message is not None, "no answer"
        if message.arbitration_id != 0x7E8:
            continue
        if message.data[0] >> 4 == 1:
            bus.send(can.Message(arbitration_id=0x7E0, data=FLOW, is_extended_id=False))
        whole = assembler.feed("7E8", bytes(message.data))
        if whole is not None:
            return whole


def main() -> None:
    obd.logger.setLevel("ERROR")
    rate, bound = native()
    print(f"{'native CAN':15} bound {bound:6.1f}/s  packed {rate:6.1f}/s = {rate / bound:.1%}")
    for name, extra in LINKS.items():
        with SimulatedCar("sim:?car=still&baud=115200&latency_ms=8" + extra) as car:
            total_s, groups = best_packing(PIDS, car.options.timing, PROTOCOLS["6"])
            bound = len(PIDS) / total_s
            packed = measured(car.url, groups)
            single = one_by_one(car.url)
        print(
            f"{name:15} bound {bound:6.1f}/s  packed {packed:6.1f}/s = {packed / bound:.1%}"
            f"  python-OBD, no pauses {single:5.1f}/s, packed is {packed / single:.2f} times"
        )


if __name__ == "__main__":
    main()
