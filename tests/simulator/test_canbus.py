"""The ECUs on a CAN bus: in their own time, and over real buses with can-isotp as the client."""

from __future__ import annotations

import itertools
import os
import sys
import time
from collections.abc import Iterator

import pytest

from logbench.errors import LinkUnknownError, PortMissingError
from logbench.simulator.canbus import CanCar, CanFrame
from logbench.simulator.ecu import Edition
from logbench.simulator.options import parse_sim_url
from logbench.simulator.protocols import PROTOCOLS, segment
from logbench.simulator.serve import SimulatedCar, make_server
from logbench.simulator.timing import CarClock, Timing
from logbench.simulator.trouble import Trouble
from logbench.simulator.wires import PythonCanWire, SlcanWire, open_wire
from tests.bounds import native_request_s
from tests.serving import serve_can
from tests.still import StillCar

can = pytest.importorskip("can")
isotp = pytest.importorskip("isotp")

VIN = b"ZZ9TEST170X000001"
ONE_ECU = {"7E8": frozenset({0x0C, 0x10, 0x0B, 0x11, 0x06, 0x07})}
SIX = "07" + "010C100B110607"
FLOW = bytes.fromhex("3000000000000000")


def request(text: str, identifier: int = 0x7DF, extended: bool = False) -> CanFrame:
    return CanFrame(identifier, bytes.fromhex(text).ljust(8, b"\0"), extended)


def frames(car: CanCar) -> list[tuple[float, int, str]]:
    """Everything that is due without the tester's doing."""
    found = []
    while car.due() is not None:
        due = car.pop()
        found.append((due.t_s, due.data.identifier, due.data.data.hex()))
    return found


# --- in its own time ---


def test_a_functional_request_reaches_both() -> None:
    car = CanCar(StillCar())
    car.receive(request("02010C"), 10.0)
    (first_s, *first), (second_s, *second) = frames(car)
    assert first == [0x7E8, "04410c0bb8000000"]
    assert second == [0x7E9, "04410c0bb8000000"]
    assert first_s - 10.0 == pytest.approx(2 * 0.00027 + 0.008)
    assert second_s - 10.0 == pytest.approx(2 * 0.00027 + 0.010)


def test_identifiers_of_29_bits() -> None:
    car = CanCar(StillCar(), protocol="7")
    car.receive(request("02010C"), 0.0)
    assert frames(car) == [], "11 bits are somebody else's"
    car.receive(request("02010C", 0x18DB33F1, True), 1.0)
    assert [identifier for _, identifier, _ in frames(car)] == [0x18DAF110, 0x18DAF118]
    car.receive(request("02010C", 0x18DA18F1, True), 2.0)
    assert [identifier for _, identifier, _ in frames(car)] == [0x18DAF118]


def test_flow_control_and_the_computed_time() -> None:
    timing = Timing(latency_ms=5.0)
    car = CanCar(StillCar(pids=ONE_ECU), timing)
    car.receive(request(SIX), 10.0)
    ((first_s, _, data),) = frames(car)
    assert data[:4] == "100f"
    car.receive(CanFrame(0x7E1, FLOW), first_s)
    assert frames(car) == [], "not to this ECU"
    car.receive(CanFrame(0x7E0, FLOW), first_s)
    rest = frames(car)
    assert [data[:2] for *_, data in rest] == ["21", "22"]
    pids = (0x0C, 0x10, 0x0B, 0x11, 0x06, 0x07)
    assert rest[-1][0] - 10.0 == pytest.approx(native_request_s(timing, PROTOCOLS["6"], pids))


@pytest.mark.parametrize(("code", "gap_s"), [(0x00, 0.0), (0x05, 0.005), (0xF3, 0.0003)])
def test_block_size_and_separation_time(code: int, gap_s: float) -> None:
    car = CanCar(StillCar())
    car.receive(request("020902"), 10.0)
    ((t_s, _, _),) = frames(car)
    car.receive(CanFrame(0x7E0, bytes((0x31, 0, 0))), t_s + 0.5)
    assert frames(car) == [], "wait"
    car.receive(CanFrame(0x7E0, bytes((0x30, 1, code))), t_s + 1.2)
    assert len(frames(car)) == 1, "a block of one"
    car.receive(CanFrame(0x7E0, bytes((0x30, 0, code))), t_s + 1.3)
    assert len(frames(car)) == 1
    car.receive(request("02090A"), 20.0)
    t_s = frames(car)[0][0]
    car.receive(CanFrame(0x7E0, bytes((0x30, 0, code))), t_s)
    times = [due_s for due_s, *_ in frames(car)]
    assert [b - a for a, b in itertools.pairwise(times)] == pytest.approx([0.00027 + gap_s] * 2)


def test_overflow_and_lateness_end_a_message() -> None:
    for flow, late_s in ((bytes((0x32, 0, 0)), 0.0), (FLOW, 1.1)):
        car = CanCar(StillCar())
        car.receive(request("020902"), 10.0)
        ((t_s, _, _),) = frames(car)
        car.receive(CanFrame(0x7E0, flow), t_s + late_s)
        car.receive(CanFrame(0x7E0, FLOW), t_s + late_s)
        assert frames(car) == []


def test_what_is_no_request_is_ignored() -> None:
    car = CanCar(StillCar())
    for text in ("00", "08010C", "100801", "21", "ff" * 8, "07"):
        car.receive(CanFrame(0x7DF, bytes.fromhex(text)), 1.0)
    car.receive(CanFrame(0x7DF, b""), 1.0)
    car.receive(CanFrame(0x123, bytes.fromhex("02010C0000000000")), 1.0)
    assert frames(car) == []


def test_an_ecu_has_no_room_for_a_request_of_two_frames() -> None:
    """ISO 15765-2: flow status 2, overflow, makes the sender give up; so does can-isotp."""
    car = CanCar(StillCar(), edition="J1979-2")
    first, second = segment(bytes.fromhex("22F40CF40DF405F40F"))
    car.receive(CanFrame(0x7E0, first), 1.0)
    ((_, identifier, data),) = frames(car)
    assert (identifier, data) == (0x7E8, "3200000000000000")
    car.receive(CanFrame(0x7E0, second), 2.0)
    assert frames(car) == []
    sent: list[bytes] = []
    errors: list[Exception] = []
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    answer = [isotp.CanMessage(arbitration_id=identifier, data=bytes.fromhex(data), dlc=8)]
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout: answer.pop() if sent and answer else None,
        txfn=lambda frame: sent.append(bytes(frame.data)),
        address=address,
        error_handler=errors.append,
        params={"tx_padding": 0x00},
    )
    layer.send(bytes.fromhex("22F40CF40DF405F40F"))
    for _ in range(10):
        layer.process()
    assert sent == [first]
    assert [type(error) for error in errors] == [isotp.OverflowError]
    assert not layer.transmitting()


def test_service_22_instead_of_the_old_ones() -> None:
    """SAE J1979-2 (from memory): F4xx are the PIDs of service 01, F8xx the info types of 09."""
    car = CanCar(StillCar(), edition="J1979-2")
    car.receive(request("02010C"), 1.0)
    assert frames(car) == []
    car.receive(request("02010C", 0x7E0), 2.0)
    assert [data for *_, data in frames(car)] == ["037f011100000000"]
    car.receive(request("0322F400"), 3.0)
    assert [data for *_, data in frames(car)] == ["0762f400be3fa813", "0762f40080180010"]
    car.receive(request("0322F45C", 0x7E0), 4.0)
    assert [data for *_, data in frames(car)] == ["037f223100000000"]
    car.receive(request("0322F40C"), 5.0)
    assert [data for *_, data in frames(car)] == ["0562f40c0bb80000"] * 2


@pytest.mark.parametrize(("edition", "text"), [("J1979", "02010C"), ("J1979-2", "0322F40C")])
def test_the_clock_begins_with_a_value(edition: Edition, text: str) -> None:
    still = StillCar()
    car = CanCar(still, clock=CarClock(10.0), edition=edition)
    car.receive(request("020100"), 50.0)
    car.receive(request("0322F400"), 50.0)
    car.tick(60.0)
    assert still.t_s == 0.0
    car.receive(request(text), 60.0)
    car.tick(61.0)
    assert still.t_s == pytest.approx(10.0, abs=0.1)


def test_troubles_reach_the_bus_too() -> None:
    car = CanCar(StillCar(), troubles=[Trouble("pending", 0.0, 5.0), Trouble("stall", 8.0, 1.0)])
    car.receive(request("02010C"), 100.0)
    assert [data for *_, data in frames(car)] == [
        "037f017800000000",
        "04410c0bb8000000",
        "04410c0bb8000000",
    ]
    car.receive(request("02010C"), 108.5)
    assert {data for *_, data in frames(car)} == {"04410c0000000000"}


# --- over real buses, python-can and can-isotp as the client ---


def exchange(bus: can.BusABC, text: str, count: int) -> list[tuple[int, str]]:
    """Send a functional single frame, let every ECU go on, take `count` frames."""
    bus.send(can.Message(arbitration_id=0x7DF, data=request(text).data, is_extended_id=False))
    found = []
    end_s = time.monotonic() + 5.0
    while len(found) < count and time.monotonic() < end_s:
        message = bus.recv(0.2)
        if message is None or message.arbitration_id < 0x7E8:
            continue
        found.append((message.arbitration_id, bytes(message.data).hex()))
        if message.data[0] >> 4 == 1:
            reply_to = message.arbitration_id - 8
            bus.send(can.Message(arbitration_id=reply_to, data=FLOW, is_extended_id=False))
    return found


def check(bus: can.BusABC) -> None:
    """RPM of both ECUs by hand, and the VIN through can-isotp."""
    assert sorted(exchange(bus, "02010C", 2)) == [
        (0x7E8, "04410c0bb8000000"),
        (0x7E9, "04410c0bb8000000"),
    ]
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    stack = isotp.CanStack(bus, address=address, params={"tx_padding": 0})
    stack.start()
    try:
        stack.send(bytes.fromhex("0902"))
        assert stack.recv(block=True, timeout=5.0) == b"\x49\x02\x01" + VIN
    finally:
        stack.stop()


@pytest.fixture
def virtual(request) -> Iterator[can.BusABC]:
    name = request.node.name
    with (
        serve_can(CanCar(StillCar()), PythonCanWire("virtual", name)) as url,
        can.Bus(interface="virtual", channel=name) as bus,
    ):
        assert url == f"can:virtual/{name}"
        yield bus


def test_virtual_bus(virtual: can.BusABC) -> None:
    check(virtual)
    assert len(exchange(virtual, SIX, 3)) >= 3


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_slcan_in_a_process_of_its_own() -> None:
    with SimulatedCar("car=still", wire="slcan") as car:
        assert car.url.startswith("can:slcan/")
        path = car.url.removeprefix("can:slcan/")
        with can.Bus(interface="slcan", channel=path, bitrate=500_000, sleep_after_open=0.0) as bus:
            check(bus)
        with can.Bus(interface="slcan", channel=path, bitrate=250_000, sleep_after_open=0.0) as bus:
            assert exchange_nothing(bus), "the car's bus has another speed"


def exchange_nothing(bus: can.BusABC) -> bool:
    data = request("02010C").data
    bus.send(can.Message(arbitration_id=0x7DF, data=data, is_extended_id=False))
    while (message := bus.recv(0.2)) is not None:
        if message.arbitration_id >= 0x7E8:  # not one's own, which this bus gives back
            return False
    return True


@pytest.mark.skipif(sys.platform == "win32", reason="multicast as on Linux")
def test_udp_multicast_in_a_process_of_its_own() -> None:
    pytest.importorskip("msgpack")
    channel = f"239.74.{os.getpid() >> 8 & 255}.{os.getpid() & 255}"
    with (
        SimulatedCar("car=still", wire=f"can:udp_multicast/{channel}") as car,
        can.Bus(interface="udp_multicast", channel=channel) as bus,
    ):
        assert car.url == f"can:udp_multicast/{channel}"
        check(bus)
        car.trouble("unplug:5")
        assert exchange_nothing(bus)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_slcan_refuses_what_it_does_not_know() -> None:
    wire = SlcanWire()
    try:
        with open(wire.path, "r+b", buffering=0) as port:
            for line, answer in {
                b"t7DF802010C0000000000": b"\a",  # still closed
                b"S6": b"\r",
                b"O": b"\r",
                b"V": b"V0100\r",
                b"Q": b"\a",
                b"Sx": b"\a",
                b"S99": b"\a",
                b"t7DF9": b"\a",
                b"t7DF3010C": b"\a",
                b"T18DB33F1202010C": b"Z\r",
                b"t7DF3020100": b"z\r",
                b"t": b"\a",
                b"t7DFx": b"\a",
            }.items():
                port.write(line + b"\r")
                wire.receive(1.0)
                assert port.read(20) == answer, line
            port.write(b"t7DF3020100\r")
            assert wire.receive(1.0) == CanFrame(0x7DF, bytes.fromhex("020100"))
    finally:
        wire.close()


@pytest.mark.parametrize("text", ["ethernet", "can:", "can:virtual", "can:virtual/", "can:/x"])
def test_wires_that_do_not_exist(text: str) -> None:
    with pytest.raises(LinkUnknownError, match="can:INTERFACE/CHANNEL"):
        open_wire(text, 500_000)


def test_a_bus_that_cannot_be_opened() -> None:
    with pytest.raises(PortMissingError):
        PythonCanWire("slcan", "/nowhere")
    with pytest.raises(PortMissingError):
        PythonCanWire("no-such-interface", "0")


def test_older_protocols_have_no_can() -> None:
    with pytest.raises(LinkUnknownError, match="not CAN"):
        make_server(parse_sim_url("car=still&protocol=3"), wire="slcan")
    with pytest.raises(ValueError, match="not CAN"):
        CanCar(StillCar(), protocol="3")
