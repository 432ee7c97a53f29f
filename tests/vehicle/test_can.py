"""The native CAN link against the simulator's ECUs on python-can's buses."""

from __future__ import annotations

import sys
import uuid
from contextlib import closing, contextmanager
from pathlib import Path

import can
import pytest

from logbench.errors import CarSilentError, IgnitionOffError, LinkUnknownError, PortMissingError
from logbench.signals.table import table
from logbench.simulator.ecu import Ecus, Mood
from logbench.simulator.still import StillCar
from logbench.simulator.timing import Timing
from logbench.vehicle.discovery import discover
from logbench.vehicle.links import open_link
from logbench.vehicle.poller import Poller

sys.path.insert(0, str(Path(__file__).parent))
from can_car import SlcanDevice, can_car

SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "TP")
TIMING = Timing(latency_ms=2)


@contextmanager
def car_on_virtual_bus(number: str = "6", edition: str = "J1979", mood: Mood | None = None):
    channel = f"test-{uuid.uuid4().hex}"
    ecus = Ecus(StillCar(), TIMING, edition)
    if mood is not None:
        ecus.mood = mood
    bus = can.Bus(interface="virtual", channel=channel, bitrate=500_000)
    with can_car(bus, ecus, number), closing(open_link(f"can:virtual/{channel}")) as link:
        yield link


@pytest.mark.parametrize("number", ["6", "7"])
def test_discovery_and_polling(number):
    with car_on_virtual_bus(number) as link:
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
        assert poller.counts.damaged == 0


def test_a_car_of_sae_j1979_2():
    with car_on_virtual_bus(edition="J1979-2") as link:
        link.connect()
        assert link.service == 0x22
        facts = discover(link)
        assert facts.vin == "ZZ9TEST170X000001"
        poller = Poller(link, facts, ("RPM", "MAF", "ECT", "VSS"))
        readings = [reading for _ in range(6) for reading in poller.step()]
        assert {r.signal: r.value for r in readings}["RPM"] == 750.0
        assert poller.counts.damaged == 0


def test_response_pending_is_waited_for():
    with car_on_virtual_bus(mood=Mood(pending_s={"7E8": 0.4})) as link:
        link.connect()
        replies = link.request(b"\x01\x0c", to="7E8")
        assert [reply.data[:2] for reply in replies] == [b"\x41\x0c"]


def test_a_silent_second_ecu_costs_its_samples_only():
    # 0xA4 is the second ECU's alone, so that every request goes to all of them.
    pids = {"7E8": frozenset({0x0C, 0x0D, 0x10}), "7E9": frozenset({0x0C, 0xA4})}
    channel = uuid.uuid4().hex
    ecus = Ecus(StillCar(pids=pids), TIMING)
    bus = can.Bus(interface="virtual", channel=channel)
    with can_car(bus, ecus), closing(open_link(f"can:virtual/{channel}")) as link:
        link.connect()
        facts = discover(link)
        gear = table().of_pid(0xA4)[0].acronym
        poller = Poller(link, facts, ("RPM", "VSS", "MAF", gear))
        before = [reading for _ in range(6) for reading in poller.step()]
        ecus.mood = Mood(silent=frozenset({"7E9"}))
        for _ in range(4):
            poller.step()
        after = [reading for _ in range(12) for reading in poller.step()]
    assert {reading.ecu for reading in before} == {"7E8", "7E9"}
    assert {reading.ecu for reading in after} == {"7E8"}
    assert {reading.signal for reading in after} == {"RPM", "VSS", "MAF"}


def test_slcan_on_a_pseudo_terminal():
    channel = f"slcan-{uuid.uuid4().hex}"
    ecus = Ecus(StillCar(), TIMING)
    device = SlcanDevice(can.Bus(interface="virtual", channel=channel))
    try:
        with (
            can_car(can.Bus(interface="virtual", channel=channel), ecus),
            closing(open_link(f"can:slcan/{device.path}?bitrate=500000")) as link,
        ):
            link.connect()
            assert discover(link).vin == "ZZ9TEST170X000001"
    finally:
        device.stop()
        device._bus.shutdown()


def test_udp_multicast_bus():
    pytest.importorskip("msgpack", reason="python-can's UDP bus needs msgpack")
    group = "239.74.163.2"
    try:
        bus = can.Bus(interface="udp_multicast", channel=group, fd=False)
    except (can.CanError, OSError) as error:
        pytest.skip(f"no multicast here: {error}")
    with (
        can_car(bus, Ecus(StillCar(), TIMING)),
        closing(open_link(f"can:udp_multicast/{group}")) as link,
    ):
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
