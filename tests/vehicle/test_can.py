"""The native CAN link against the simulator's ECUs on python-can's buses and on slcan."""

from __future__ import annotations

import math
import uuid
from contextlib import closing, contextmanager

import can
import pytest

from logbench.errors import (
    CarSilentError,
    ConnectingStoppedError,
    IgnitionOffError,
    LinkUnknownError,
    PortMissingError,
)
from logbench.signals.table import table
from logbench.simulator.canbus import CanCar
from logbench.simulator.timing import Timing
from logbench.simulator.trouble import parse_trouble
from logbench.simulator.wires import PythonCanWire, SlcanWire
from logbench.vehicle.discovery import discover
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.poller import Poller
from tests.serving import serve_can
from tests.still import StillCar

SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "TP")
TIMING = Timing(latency_ms=2)


@contextmanager
def car_on_virtual_bus(car=None, options="", heard=None, **how):
    """A link to the simulated ECUs on python-can's virtual bus, not connected yet. `heard` gets the
    frames that the ECUs hear."""
    wire = PythonCanWire("virtual", f"test-{uuid.uuid4().hex}")
    device = CanCar(car or StillCar(), TIMING, **how)
    if heard is not None:
        receive = device.receive
        device.receive = lambda frame, t_s: (heard.append(frame), receive(frame, t_s))
    with serve_can(device, wire) as url, closing(open_link(url + options)) as link:
        yield link


def test_given_up_while_connecting():
    with car_on_virtual_bus(StillCar(key_on=False)) as link:
        link.given_up = lambda: True
        with pytest.raises(ConnectingStoppedError):
            link.connect()


@pytest.mark.parametrize("number", ["6", "7"])
def test_discovery_and_polling(number):
    with car_on_virtual_bus(protocol=number) as link:
        link.connect()
        assert link.protocol.id_bits == (11 if number == "6" else 29)
        facts = discover(link)
        assert facts.vin == "ZZ9TEST170X000001"
        assert [set(pids) for pids in facts.supported.values()] == [
            set(StillCar().supported(ecu)) for ecu in ("7E8", "7E9")
        ]
        poller = Poller(link, facts, SIGNALS, dict.fromkeys(SIGNALS, 10.0))
        readings = [reading for _ in range(8) for reading in poller.step()]
        latest = {reading.signal: reading.value for reading in readings}
        assert set(latest) == set(SIGNALS)
        assert latest["RPM"] == 750.0
        assert poller.counts["damaged"] == 0


def test_a_car_of_sae_j1979_2():
    with car_on_virtual_bus(edition="J1979-2") as link:
        link.connect()
        assert link.service == 0x22
        facts = discover(link)
        assert facts.vin == "ZZ9TEST170X000001"
        poller = Poller(link, facts, ("RPM", "MAF", "ECT", "VSS"))
        readings = [reading for _ in range(6) for reading in poller.step()]
        assert {r.signal: r.value for r in readings}["RPM"] == 750.0
        assert poller.counts["damaged"] == 0


def test_response_pending_is_waited_for():
    with car_on_virtual_bus(troubles=(parse_trouble("pending@0:1000"),)) as link:
        link.connect()
        facts = discover(link)
        poller = Poller(link, facts, ("RPM", "MAF"))
        readings = [reading for _ in range(3) for reading in poller.step()]
    assert {r.signal: r.value for r in readings}["RPM"] == 750.0


def test_a_silent_second_ecu_costs_its_samples_only():
    # 0xA4 is the second ECU's alone, so that every request goes to all of them.
    pids = {"7E8": frozenset({0x0C, 0x0D, 0x10}), "7E9": frozenset({0x0C, 0xA4})}
    troubles = (parse_trouble("second-silent@0.3:1000"),)
    with car_on_virtual_bus(StillCar(pids=pids), troubles=troubles) as link:
        link.connect()
        facts = discover(link)
        gear = table().of_pid(0xA4)[0].acronym
        poller = Poller(link, facts, ("RPM", "VSS", "MAF", gear))
        before = [reading for _ in range(6) for reading in poller.step()]
        both = [poller.step() for _ in range(80)]
        after = [reading for _ in range(12) for reading in poller.step()]
    assert {reading.ecu for reading in before} == {"7E8", "7E9"}
    assert any({reading.ecu for reading in step} == {"7E8"} for step in both)
    assert {reading.ecu for reading in after} == {"7E8"}
    assert {reading.signal for reading in after} == {"RPM", "VSS", "MAF"}


@pytest.mark.parametrize(
    ("options", "flow", "blocks", "least_s"),
    [
        ("", "30 00 00", 1, 0.0),
        ("?block=1", "30 01 00", 17, 0.0),
        ("?block=4&separation_ms=5", "30 04 05", 5, 0.06),
        ("?block=17", "30 11 00", 1, 0.0),
        ("?block=255&separation_ms=10", "30 FF 0A", 1, 0.15),
    ],
)
def test_our_flow_control_is_settable(options, flow, blocks, least_s):
    codes = tuple(f"P{n:04d}" for n in range(100, 160))  # 122 bytes: a first frame and 17 more
    heard = []
    with car_on_virtual_bus(StillCar(stored=codes), options, heard) as link:
        link.connect()
        heard.clear()
        exchange = link.exchange(b"\x03", to="7E8")
    assert exchange.replies[0].data[:2] == bytes((0x43, 60))
    assert len(exchange.replies[0].data) == 122
    assert exchange.raw.damaged == 0
    assert exchange.elapsed_s >= least_s
    asked = [frame.data[:3].hex(" ").upper() for frame in heard if frame.data[0] >> 4 == 3]
    assert asked == [flow] * blocks
    assert {frame.identifier for frame in heard} == {0x7E0}


@pytest.mark.parametrize("option", ["block=256", "separation_ms=128", "block=-1", "block=x"])
def test_flow_control_that_the_standard_does_not_have(option):
    with pytest.raises(LinkUnknownError, match="a whole number from 0 to"):
        open_link(f"can:virtual/none?{option}")


def test_slcan_on_a_pseudo_terminal():
    with (
        serve_can(CanCar(StillCar(), TIMING), SlcanWire()) as url,
        closing(open_link(f"{url}?bitrate=500000")) as link,
    ):
        link.connect()
        assert discover(link).vin == "ZZ9TEST170X000001"


def test_udp_multicast_bus():
    wire = PythonCanWire("udp_multicast", "239.74.163.2")
    with serve_can(CanCar(StillCar(), TIMING), wire) as url, closing(open_link(url)) as link:
        link.connect()
        assert discover(link).vin == "ZZ9TEST170X000001"


def test_nobody_on_the_bus():
    link = open_link(f"can:virtual/{uuid.uuid4().hex}")
    with closing(link), pytest.raises(IgnitionOffError, match="ignition"):
        link.connect()


def test_traffic_but_no_diagnosis():
    channel = uuid.uuid4().hex
    with can.Bus(interface="virtual", channel=channel) as other:
        link = open_link(f"can:virtual/{channel}")
        with closing(link):
            task = other.send_periodic(
                can.Message(arbitration_id=0x7EA, data=b"\x3f" * 8, is_extended_id=False), 0.01
            )
            with pytest.raises(CarSilentError, match="traffic"):
                link.connect()
            task.stop()


@pytest.mark.parametrize(
    ("url", "kind", "text"),
    [
        ("can:virtual", LinkUnknownError, "can:socketcan/can0"),
        ("can:virtual/x?bitrate=1", LinkUnknownError, "whole number"),
        ("can:nosuchinterface/0", LinkUnknownError, "socketcan"),
        ("can:slcan//dev/no-such-port", PortMissingError, "cannot be opened"),
    ],
)
def test_bad_links(url, kind, text):
    with pytest.raises(kind, match=text):
        open_link(url).connect()


LONG = (0x69, 0x6D, 0x7A, 0x7C, 0x7F, 0x83, 0x85, 0x8C, 0x9C)


@pytest.mark.parametrize("edition", ["J1979", "J1979-2"])
def test_the_long_pids_of_late_revisions_arrive_whole(edition):
    """Encoded apart from the table; a part that the ECU lacks has no sample, and is never 0."""
    lacking = {"EGR_B_CMD", "NOX22", "DPF1_OUTP", "NWI_TIME"}
    signals = [s for pid in LONG for s in table().of_pid(pid) if s.acronym not in lacking]
    wanted = {s.acronym: s.offset + s.scale * (100 + n) for n, s in enumerate(signals)}
    pids = frozenset({0x0C, *LONG})
    car = StillCar(values={"RPM": 800.0, **wanted}, pids={"7E8": pids})
    with car_on_virtual_bus(car, edition=edition) as link:
        link.connect()
        facts = discover(link)
        chosen = ("RPM", *wanted, *lacking)
        poller = Poller(link, facts, chosen, dict.fromkeys(chosen, 10.0))
        latest = {r.signal: r.value for _ in range(40) for r in poller.step()}
    assert {name for name, value in latest.items() if not math.isnan(value)} == {"RPM", *wanted}
    for signal in signals:
        assert latest[signal.acronym] == pytest.approx(wanted[signal.acronym]), signal.acronym
